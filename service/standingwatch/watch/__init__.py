"""What has arrived, judged: live against the store, and replay over a file."""
