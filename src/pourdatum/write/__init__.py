"""One file per format that other programs open, and the folder they lie in."""
