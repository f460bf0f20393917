"""Numbers of things in words: one is singular, any other number is not."""

from __future__ import annotations

__all__ = ["count", "verb"]


def count(number_of: int, thing: str, more: str | None = None) -> str:
    """Return a number of things, singular or plural.

    Parameters
    ----------
    number_of : int
        How many.
    thing : str
        One of them.
    more : str, optional
        Several of them, where that is not the same with an s.
    """
    return f"{number_of:,} {verb(number_of, thing, more or f'{thing}s')}"


def verb(number_of: int, one: str, more: str) -> str:
    """Return the form of a word that goes with a number of things.

    Parameters
    ----------
    number_of : int
        How many.
    one : str
        The form for one.
    more : str
        The form for more.
    """
    return one if number_of == 1 else more
