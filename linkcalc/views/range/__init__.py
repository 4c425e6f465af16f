"""How far a link goes."""
