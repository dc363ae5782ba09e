"""Findings from readings: one file per detector with one interface. No I/O."""
