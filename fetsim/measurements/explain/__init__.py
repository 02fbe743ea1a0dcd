"""One burst followed round the loop."""
