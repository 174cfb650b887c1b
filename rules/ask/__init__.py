"""From a pour as it is written to a question in numbers."""
