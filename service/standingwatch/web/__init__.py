"""Pages and HTTP API."""
