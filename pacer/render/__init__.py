"""Text and pictures: results turned into something to look at."""
