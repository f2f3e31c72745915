"""Words of others - file names, header values, messages - made safe to show and to write."""

from __future__ import annotations


def plain(text: object) -> str:
    """Return a text from outside as one line without control or direction-changing characters.

    Such characters could move the cursor of a terminal or turn a line around, and the halves of
    characters that stand for undecodable bytes of a file name cannot be written as UTF-8 at all;
    each becomes the replacement character, so that their presence still shows.
    """
    return "".join(c if c.isprintable() else " " if c.isspace() else "\ufffd" for c in str(text))
