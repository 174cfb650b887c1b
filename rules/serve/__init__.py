"""Many pours: for programs that dose."""
