"""Many nodes on one air."""
