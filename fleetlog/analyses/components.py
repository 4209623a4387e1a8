"""Find the component that a question is about."""

from difflib import get_close_matches

from fleetlog.catalogue import Component, load_catalogue
from fleetlog.errors import InputError


def find_component(code: str) -> Component:
    """Return the catalogue's component of that code.

    Raises
    ------
    InputError : there is none; the sentence names those that are spelled alike.
    """
    components = load_catalogue().components
    if code in components:
        return components[code]
    short = {name.rpartition(".")[2]: name for name in components}
    alike = [short[word] for word in get_close_matches(code.rpartition(".")[2], list(short), n=3)]
    hint = f"did you mean {' or '.join(alike)}?" if alike else "see the catalogue for the codes"
    raise InputError(f"component {code!r} is not in the catalogue: {hint}")
