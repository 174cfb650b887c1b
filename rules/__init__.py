"""What happens when it is poured: rules over real chemistry, in the bucket and in the line."""
