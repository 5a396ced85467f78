"""From the registry to its end points: cohort, groups, outcomes, vision, toxicity."""
