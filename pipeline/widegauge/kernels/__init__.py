"""Hot loops: arrays and plain numbers in, arrays out."""
