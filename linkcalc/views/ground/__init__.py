"""What the search for ground found."""
