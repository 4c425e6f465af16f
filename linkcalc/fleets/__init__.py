"""Many nodes that share the air: which shed hears which, who collides, how each should send."""
