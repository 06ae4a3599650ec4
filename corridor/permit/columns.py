"""Which attribute columns may be published.

Zones go to authorities and into the open. A column that looks like personal
data, by its name or by what stands in it, is left out unless the user lists it
in ``publish_columns``; what was left out, and why, is said. Looks can deceive
both ways: the list is a guard, no proof, and the user answers for what is sent.
The sets of words below are ours (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from corridor.model.layers import Layer

_WORDS = (
    "contact|kontakt|contacto|contatto|phone|telephone|telefon|telefono|tel|mobile|mobil|cell|fax|e_?mail|mail|"
    "person|personal|surname|last_?name|first_?name|given_?name|full_?name|forename|vorname|nachname|nombre|"
    "apellido|prenom|skipper|captain|master|officer|inspector|surveyor|applicant|signatory|signature|address|"
    "adresse|anschrift|direccion|street|postcode|zip|iban|passport|birth|born|dob|ssn|owner_?name|responsible|"
    "ansprechpartner|whatsapp|user|username|created_by|edited_by|last_edited_by|creator|editor|author"
)
_NAME = re.compile(rf"(?:^|[_\W])(?:{_WORDS})s?(?:[_\W]|\d|$)", re.IGNORECASE)
_EMAIL = re.compile(r"[\w.+-]+@[\w-]+\.[\w.-]+")
_PHONE = re.compile(
    r"(?:\+|\b00)[1-9][\d ()/.-]{6,}\d|\b(?:tel|phone|mob)\w*\W{0,3}\d[\d ()/.-]{5,}", re.IGNORECASE
)
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
_TITLE = re.compile(r"^(?:mr|mrs|ms|dr|capt|captain|herr|frau|sr|sra|mme)\.?\s+\w", re.IGNORECASE)


def personal_by_name(column: str) -> bool:
    """True when a column's name says that it holds data about a person."""
    return bool(_NAME.search(_CAMEL.sub("_", column)))


def personal_by_content(values: Iterable[Any]) -> str:
    """What personal thing stands in a column: ``an e-mail address``, ...; empty if nothing does."""
    for value in values:
        if not isinstance(value, str):
            continue
        text = value[:2000]
        if _EMAIL.search(text):
            return "an e-mail address"
        if _PHONE.search(text):
            return "a phone number"
        if _TITLE.search(text):
            return "a person's name with a title"
    return ""


def publishable(
    layer: Layer, publish_columns: Iterable[str] = ()
) -> tuple[tuple[str, ...], tuple[tuple[str, str, str], ...]]:
    """Columns of `layer` that may be published, in order, and those left out.

    Parameters
    ----------
    publish_columns : iterable of str
        Columns allowed for all layers; the layer's own key of that name adds to them.

    Returns
    -------
    columns : tuple of str
    left_out : tuple of (layer, column, reason)
    """
    own = layer.settings.get("publish_columns", ())
    allowed = {name.casefold() for name in (*publish_columns, *own)}
    names = list(dict.fromkeys(name for attributes in layer.attributes for name in attributes))
    kept, left_out = [], []
    for name in names:
        if name.casefold() in allowed:
            kept.append(name)
        elif personal_by_name(name):
            left_out.append((layer.name, name, "its name says that it is about a person"))
        elif found := personal_by_content(a.get(name) for a in layer.attributes):
            left_out.append((layer.name, name, f"it holds {found}"))
        else:
            kept.append(name)
    return tuple(kept), tuple(left_out)


def plain_value(value: Any) -> Any:
    """An attribute as text, number, truth value or None: what every format can hold."""
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, (bool, int)):
        return value
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, (list, tuple, np.ndarray)):
        return ", ".join(str(item) for item in value)
    text = str(value)
    return None if text in ("NaT", "<NA>") else text


def published_attributes(attributes: Mapping[str, Any], columns: Iterable[str]) -> dict[str, Any]:
    """The `columns` of one feature that hold something, as plain values."""
    values = {name: plain_value(attributes.get(name)) for name in columns}
    return {name: value for name, value in values.items() if value is not None and value != ""}
