"""The text of a system file + a change → the text with that change in it, every other byte as it was."""
