"""What follows from alarms over days: visits to propose. As data, not pages; no I/O."""
