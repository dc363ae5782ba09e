"""Standing Watch: a fleet-wide SWR watch over radio transmitting sites, with alarms."""

__version__ = "0.5.0"
