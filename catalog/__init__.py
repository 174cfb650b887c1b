"""What is in the bottle and in the well: products, labels, water tests, and the database of them."""
