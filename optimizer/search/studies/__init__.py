"""Studies: each a short list of questions to the one search, and what their answers say together."""
