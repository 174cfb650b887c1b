"""From a question to solutions: what is mixed, and what chemistry makes of it."""
