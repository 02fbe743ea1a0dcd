"""What all output shares: columns, wording, the style of plots."""
