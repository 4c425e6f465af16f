"""When a message arrives."""
