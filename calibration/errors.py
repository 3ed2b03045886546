"""The one exception that reaches a user."""


class InputError(ValueError):
    """Something the user gave cannot be used.

    The message is one plain sentence: what is wrong, where, and what to do about it. The command line prints it and
    ends with a non-zero code; the web API answers with a 4xx. Nothing has been stored when it is raised.
    """
