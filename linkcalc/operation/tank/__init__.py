"""The tank that is filled over a radio link: overrun, overflow, running dry, and what makes it safe."""
