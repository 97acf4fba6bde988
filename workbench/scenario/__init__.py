"""The invented observatory network: places, choices, mechanisms and chance, from which known-truth seasons are made."""
