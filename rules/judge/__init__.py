"""What a rule is, and what rules share."""
