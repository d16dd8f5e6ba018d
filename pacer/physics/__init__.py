"""Motion: what power does."""
