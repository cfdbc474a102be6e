"""The log: the record of molds, pours, pieces and what was found on them."""
