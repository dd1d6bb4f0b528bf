"""Names as people typed them, beside other words.

A name may hold letters that run from right to left, or characters that turn the direction of what follows (Unicode
Standard Annex 9, "Unicode Bidirectional Algorithm", sections 2.1 to 2.5): unless it stands apart, it changes the order
of what stands beside it. The record keeps what was typed; what is shown leaves out the characters that turn others.
"""

import re

FIRST_STRONG_ISOLATE, POP_DIRECTIONAL_ISOLATE = "\u2068", "\u2069"
# Embeddings, overrides, isolates and what ends them; marks that only count as a letter themselves may stay.
TURNS_OTHERS = re.compile("[\u202a-\u202e\u2066-\u2069]")


def without_turns(text: str) -> str:
    """The text without the characters that turn others."""
    return TURNS_OTHERS.sub("", text)


def spelled_out(text: str) -> str:
    """The text with those characters by their code points, for whoever asks what exactly was typed."""
    return TURNS_OTHERS.sub(lambda found: f"[U+{ord(found[0]):04X}]", text)


def isolated(text: object) -> str:
    """A typed name for a sentence, a title or an option, where no markup can stand: apart by two characters that are
    not seen; empty for None and nothing."""
    shown = without_turns(str(text or ""))
    return f"{FIRST_STRONG_ISOLATE}{shown}{POP_DIRECTIONAL_ISOLATE}" if shown else ""
