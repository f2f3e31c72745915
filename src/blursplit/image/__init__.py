"""Images of stars: transfer functions and the only definition of a width."""
