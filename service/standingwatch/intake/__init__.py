"""Reports from the broker into the store."""
