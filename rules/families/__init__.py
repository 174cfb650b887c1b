"""The rules, one module per family; `registry.rules` lists them."""
