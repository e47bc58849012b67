"""The exceptions that a user can cause, each one line that says where, what and how to mend it."""

from __future__ import annotations


class OptimiserError(Exception):
    """Something the user should read as one line; the command ends with `exit_code`."""

    exit_code = 1


class InputError(OptimiserError):
    """Input that cannot be used: names the place, the trouble and the remedy.

    Args:
        where: file, and table, row or key inside it.
        problem: what is wrong there.
        remedy: what the user can do about it.
    """

    exit_code = 2

    def __init__(self, where: str, problem: str, remedy: str) -> None:
        self.where = where
        self.problem = problem
        self.remedy = remedy
        # One line whatever the user's text held: a message is read in a terminal and in a log.
        line = f"{where}: {problem}; {remedy}"
        super().__init__(" ".join(line.split()))

    def __reduce__(self) -> tuple[type[InputError], tuple[str, str, str]]:
        """Rebuild from the three parts, so that the error survives a process pool."""
        return (InputError, (self.where, self.problem, self.remedy))


class StorageError(OptimiserError):
    """Files could not be written or read back (full disk, locked folder); nothing is lost."""

    exit_code = 2


class NothingFeasibleError(OptimiserError):
    """The search ran and no design kept every limit."""
