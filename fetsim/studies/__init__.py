"""Questions asked of many renders or units: one room a study, and what they share."""
