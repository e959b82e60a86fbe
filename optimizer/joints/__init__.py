"""Which ends mate, what a joint takes, and the adapter chains between ends that do not."""
