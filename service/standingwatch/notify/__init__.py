"""Alarm events out of the service: the outbox and one file per channel."""
