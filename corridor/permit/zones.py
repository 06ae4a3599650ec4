"""From layers to zones: what is published, and what the search obeys, from one source."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.model.layers import Layer
from corridor.model.permit import ZONE_RULES, Reference, Zone, ZoneSettings, zone_distance_m
from corridor.model.rules import RouteRules
from corridor.permit.buffers import ground_buffers
from corridor.permit.columns import publishable, published_attributes
from corridor.permit.lonlat import cut_edges, ellipsoidal_areas
from corridor.permit.season import Validity, activity, validity
from corridor.progress import Progress, silent

ID_KEYS = ("foid", "LNAM", "zone_id", "id", "fid", "objectid", "gml_id")
DATE_KEYS = ("SORDAT", "source_date", "survey_date", "issue_date", "date")
KIND_KEYS = ("class_name", "class")
OWNER_KEYS = ("owner", "operator", "licensee")
LONGEST_NAME = 200


def make_zones(
    layers: Sequence[Layer],
    crs: str,
    rules: RouteRules,
    settings: ZoneSettings,
    progress: Progress = silent,
) -> tuple[tuple[Zone, ...], tuple[tuple[str, str, str], ...], tuple[str, ...]]:
    """Every feature of the avoid and discourage layers as a zone.

    Parameters
    ----------
    layers : sequence of Layer
    crs : str
        Project CRS of their geometries.
    rules : RouteRules
        For the lay tolerance.
    settings : ZoneSettings

    Returns
    -------
    zones : tuple of Zone
        In the order of layers and features, numbered from 1.
    left_out : tuple of (layer, column, reason)
        Columns not published.
    notes : tuple of str
    """
    zones: list[Zone] = []
    left_out: list[tuple[str, str, str]] = []
    notes: list[str] = []
    seen: dict[str, int] = {}
    chosen = [layer for layer in layers if layer.rule in ZONE_RULES and len(layer)]
    for done, layer in enumerate(chosen):
        progress("zones", done / len(chosen))
        columns, missing = publishable(layer, settings.publish_columns)
        left_out += missing
        notes += [f"layer {layer.name!r}: {note}" for note in layer.notes]
        zones += _layer_zones(layer, crs, rules, settings, columns, len(zones), seen, notes)
    progress("zones", 1.0)
    repeated = [name for name, count in seen.items() if count > 1]
    if repeated:
        notes.append(
            f"{len(repeated)} zone ids occurred more than once and were told apart by -2, -3, ...: "
            + ", ".join(repeated[:5])
        )
    return tuple(zones), tuple(left_out), tuple(notes)


def _layer_zones(
    layer: Layer,
    crs: str,
    rules: RouteRules,
    settings: ZoneSettings,
    columns: Sequence[str],
    before: int,
    seen: dict[str, int],
    notes: list[str],
) -> list[Zone]:
    buffer = zone_distance_m(layer, rules)
    outline = ground_buffers(crs, layer.geometries, buffer)
    area, perimeter = ellipsoidal_areas(crs, cut_edges(outline))
    names = {name for attributes in layer.attributes for name in attributes}
    zones: list[Zone] = []
    for i, attributes in enumerate(layer.attributes):
        valid = validity(attributes, layer.settings, layer.name)
        active, reason = activity(valid, settings.period)
        name = layer.features[i]
        zone_id = _unique(f"{_slug(layer.name)}-{_slug(name)}", seen)
        if valid.doubts:
            notes.append(f"zone {zone_id}: {reason}")
        if len(name) > LONGEST_NAME:
            notes.append(f"zone {zone_id}: its name of {len(name)} characters is shortened where it is shown")
        zones.append(
            Zone(
                number=before + len(zones) + 1,
                id=zone_id,
                layer=layer.name,
                feature=name,
                kind=str(_first(attributes, KIND_KEYS) or layer.name),
                rule=layer.rule,
                source=layer.geometries[i],
                outline=outline[i],
                buffer_m=float(buffer[i]),
                standoff_m=float(layer.standoff_m[i]),
                uncertainty_m=float(layer.position_uncertainty_m[i]),
                lay_tolerance_m=rules.lay_tolerance_m if layer.rule == "avoid" else 0.0,
                area_m2=float(area[i]),
                perimeter_m=float(perimeter[i]),
                legal_basis=stated("legal_basis", layer.settings, attributes, names, settings.legal_basis),
                authority=stated("authority", layer.settings, attributes, names, settings.authority),
                **_dates(valid),
                active=active,
                activity=reason,
                file=layer.file,
                table=layer.table,
                source_id=str(_first(attributes, ID_KEYS) or ""),
                source_date=str(_first(attributes, DATE_KEYS) or ""),
                needs_consent=layer.needs_consent,
                attributes=published_attributes(attributes, columns),
            )
        )
    return zones


def _dates(valid: Validity) -> dict[str, str]:
    return {
        "valid_from": valid.first.isoformat() if valid.first else "",
        "valid_to": valid.last.isoformat() if valid.last else "",
        "season": valid.season_text,
        "season_start": valid.season_days[0],
        "season_end": valid.season_days[1],
    }


def stated(
    key: str,
    declared: Mapping[str, Any],
    attributes: Mapping[str, Any],
    names: Collection[str],
    default: str = "",
) -> str:
    """`key` of a feature: its own attribute, else the layer's key, else `default`.

    Parameters
    ----------
    declared : mapping
        Keys of the ``[[layer]]`` table; a value may be a text or the name of an attribute.
    attributes : mapping
        Of the feature.
    names : collection of str
        All attributes of the layer.
    """
    own = _first(attributes, (key,))
    if own:
        return str(own)
    value = declared.get(key)
    if isinstance(value, str) and value in names:
        value = _first(attributes, (value,))
    return str(value) if value else default


def _first(attributes: Mapping[str, Any], keys: Sequence[str]) -> Any:
    """The first of `keys` (in any case) that holds something."""
    folded = {name.casefold(): name for name in attributes}
    for key in keys:
        name = folded.get(key.casefold())
        value = attributes[name] if name is not None else None
        if value is not None and value == value and str(value).strip() not in ("", "NaT"):
            return value
    return None


def _slug(text: str) -> str:
    """Letters and digits of any script, the rest as dashes; long texts cut and told apart by a hash."""
    plain = re.sub(r"[^\w]+", "-", text.casefold()).strip("-_") or "unnamed"
    if len(plain) <= 40:
        return plain
    return f"{plain[:32]}-{hashlib.sha256(text.encode('utf-8', 'replace')).hexdigest()[:7]}"


def _unique(name: str, seen: dict[str, int]) -> str:
    """`name`, or `name` with -2, -3, ... where it occurred before."""
    seen[name] = seen.get(name, 0) + 1
    if seen[name] == 1:
        return name
    other = f"{name}-{seen[name]}"
    while other in seen:
        seen[name] += 1
        other = f"{name}-{seen[name]}"
    seen[other] = 1
    return other


def owner_of(layer: Layer, attributes: Mapping[str, Any]) -> str:
    """Whose a feature is: its owner, operator or licensee, else the layer's `owner`, else empty."""
    return str(_first(attributes, OWNER_KEYS) or layer.settings.get("owner", "") or "")


def make_references(
    layers: Sequence[Layer], settings: ZoneSettings
) -> tuple[tuple[Reference, ...], tuple[tuple[str, str, str], ...]]:
    """Assets to cross, grounds to stay within and jurisdictions: drawn and listed, no zones."""
    references, left_out = [], []
    for layer in layers:
        if layer.rule in ZONE_RULES or not len(layer):
            continue
        columns, missing = publishable(layer, settings.publish_columns)
        left_out += list(missing)
        references += [
            Reference(
                layer=layer.name,
                feature=layer.features[i],
                rule=layer.rule,
                geometry=layer.geometries[i],
                owner=owner_of(layer, attributes),
                attributes=published_attributes(attributes, columns),
            )
            for i, attributes in enumerate(layer.attributes)
        ]
    return tuple(references), tuple(left_out)


def outlines_of(zones: Sequence[Zone]) -> NDArray[np.object_]:
    """The outlines as an array (n,)."""
    array = np.empty(len(zones), dtype=object)
    array[:] = [zone.outline for zone in zones]
    return array
