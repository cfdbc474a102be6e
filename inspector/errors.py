"""What can go wrong in a way that the user can put right.

Every message is one or two sentences: what was wrong, with which file or value, what to do.
"""

__all__ = [
    "InputError",
    "InspectorError",
    "OutOfReachError",
    "PhotoError",
    "SignInError",
    "StaleError",
    "UnsureError",
]


class InspectorError(Exception):
    """Something that the person at the keyboard or the phone can put right."""


class InputError(InspectorError, ValueError):
    """A value, a file or a combination of both that cannot be used."""


class PhotoError(InputError):
    """A photo that cannot be read, or that shows too little to be inspected."""


class OutOfReachError(InspectorError):
    """What keeps the photos cannot be reached just now; the same may be done later."""


class StaleError(InspectorError):
    """Something said about a state that somebody else has changed meanwhile; nothing was kept."""


class SignInError(InspectorError):
    """Somebody could not be signed in.

    Parameters
    ----------
    sentence : str
        What the person should know.
    wait_s : float
        How long they have to wait before they may try again; 0 where they need not. [s]
    """

    def __init__(self, sentence: str, *, wait_s: float = 0.0) -> None:
        super().__init__(sentence)
        self.wait_s = wait_s


class UnsureError(InputError):
    """A photo may show pieces of several molds, or of none: a person has to say which.

    Parameters
    ----------
    sentence : str
        What the person should know.
    likely : tuple of str
        The molds that come into question, best first.
    """

    def __init__(self, sentence: str, *, likely: tuple[str, ...]) -> None:
        super().__init__(sentence)
        self.likely = likely
