"""Air, motion and optics fitted at once; histories drawn from the fit; what each cause costs."""
