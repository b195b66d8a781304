"""Before against after: how much a quantity changed, whether that is a difference, whether it is the same."""
