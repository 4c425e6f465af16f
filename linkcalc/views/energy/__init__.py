"""Energy and battery life."""
