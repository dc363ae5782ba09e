"""An invented country with an invented fleet, for the demo."""
