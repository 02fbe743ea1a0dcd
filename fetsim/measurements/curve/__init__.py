"""The static curve: thresholds, local ratio, switch subsets that are alike."""
