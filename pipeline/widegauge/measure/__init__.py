"""Find the numbers in pictures: one file a measurement."""
