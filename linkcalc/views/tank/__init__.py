"""The tank: what a lost stop does."""
