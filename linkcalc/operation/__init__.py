"""What the link means: messages, and the tank they guard."""
