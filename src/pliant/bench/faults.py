"""What can go wrong between a browser and the bench, each with its status; one shape: `{"error": "..."}`."""

from pliant.errors import PliantError

__all__ = ["Fault", "worded"]


class Fault(PliantError):
    """A refusal with the status that HTTP has for it."""

    def __init__(self, status: int, text: str):
        super().__init__(text)
        self.status = status


def worded(text: str, *paths: tuple[str, str]) -> str:
    """The words of an error with our own file names replaced by what the user called the files."""
    for path, name in paths:
        text = text.replace(path, name)
    return text
