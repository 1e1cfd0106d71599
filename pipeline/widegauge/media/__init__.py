"""The only rooms that know a file format: footage and depth in, finished frames out."""
