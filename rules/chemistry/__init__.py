"""Aqueous chemistry in batches: activities, speciation, solids. Knows nothing of fertilizer labels."""
