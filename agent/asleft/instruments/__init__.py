"""Instruments: one pair of modules per family, parsing a reply (pure) apart from opening the port."""
