"""The generic materials and the invented Aldervane demo that a new catalog starts with.

Data only: one TOML file per material, product or well; `sources.toml` holds every citation.
"""
