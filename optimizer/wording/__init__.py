"""Codes of notes → sentences, each worded in one place: what the take-off, the checks and the search have to say."""
