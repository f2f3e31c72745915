"""A declared pier as beams and springs: modes, tilt under loads, what-if, and measured modes."""
