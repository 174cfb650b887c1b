"""From a question to a verdict."""
