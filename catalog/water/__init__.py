"""Water tests, and what a water is by itself."""
