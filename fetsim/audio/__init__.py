"""Sound in and out: levels, files, oversampling, rendering, the log of the gain reduction."""
