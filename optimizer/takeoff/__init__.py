"""A plan turned into what is bought and what is taken out."""

from optimizer.takeoff.bill import bill_of

__all__ = ["bill_of"]
