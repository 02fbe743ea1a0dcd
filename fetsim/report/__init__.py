"""Text, pictures and pages out of results; matplotlib lives here, and nothing is measured here."""
