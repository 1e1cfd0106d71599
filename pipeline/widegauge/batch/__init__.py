"""A night's work: many shots, checked first, run, resumed, reported."""
