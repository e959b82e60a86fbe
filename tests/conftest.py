"""For all tests: the algebra takes one thread, as in the command, said before numpy is imported."""

from optimizer.cli.threads import one_thread

one_thread()
