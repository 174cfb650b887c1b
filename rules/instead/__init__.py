"""What to pour instead."""
