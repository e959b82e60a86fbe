"""What may stand where: the choice graph of a run and of a tee, and its efficient alternatives at a known flow."""
