"""What a label says, and what dissolves of it."""
