"""Text that a person has to give: a name, a note."""

from inspector.errors import InputError

__all__ = ["required"]


def required(text: str, what: str) -> str:
    """Give the text without outer blanks.

    Raises
    ------
    InputError
        If nothing is left; `what` says what is empty.
    """
    if not (stripped := text.strip()):
        raise InputError(f"The {what} is empty. Give one.")
    return stripped
