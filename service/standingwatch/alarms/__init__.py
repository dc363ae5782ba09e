"""The alarm lifecycle and its words, as pure functions. No I/O."""
