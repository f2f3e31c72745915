"""Star images: transfer functions, stacks, and the only width in the house."""
