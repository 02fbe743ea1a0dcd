"""Picture of what comes nearest to a wish."""
