"""What the radios and the parts between radio and air do: pure functions over arrays."""
