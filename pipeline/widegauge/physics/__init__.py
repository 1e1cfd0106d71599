"""Formulae of the trade with their sources: no loop over pixels."""
