"""One module per schema; a module is never changed after a release."""
