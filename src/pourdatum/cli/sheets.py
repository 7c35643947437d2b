"""Material sheets as lines for people and as data for programs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pourdatum.material import Sheet


def sheet_list_lines(sheets: Mapping[str, Sheet]) -> list[str]:
    """One line for each shipped sheet."""
    lines = ["Shipped sheets are invented and generic: type in what your own bag says.", ""]
    for name, sheet in sheets.items():
        low, high = sheet.depth_mm
        depth = f"{low:g} to {high:g} mm"
        lines.append(
            f"{name:<13} {depth:<12} {sheet.powder_kg_per_m2_mm:g} kg per m² and mm, "
            f"{sheet.bag_kg:g} kg bag, {sheet.water_l_per_bag:g} l water, "
            f"{sheet.working_time_min:g} min to work it"
        )
    return lines


def sheet_lines(sheet: Sheet) -> list[str]:
    """A sheet as understood: every key and its value, as it would stand in a file."""
    lines = []
    for key, value in _file_keys(sheet).items():
        if key == "primer":
            for primer in value:
                lines += ["", "[[primer]]"]
                lines += [f"{name} = {_toml(item)}" for name, item in primer.items()]
        else:
            lines.append(f"{key} = {_toml(value)}")
    missing = [key for key, value in asdict(sheet).items() if value in (None, ())]
    if missing:
        lines += ["", f"# not given: {', '.join(missing)}"]
    return lines


def sheets_as_data(sheets: Mapping[str, Sheet]) -> dict[str, Any]:
    """Sheets by name, keys as in their files."""
    return {name: _file_keys(sheet) for name, sheet in sheets.items()}


def _file_keys(sheet: Sheet) -> dict[str, Any]:
    data = {key: value for key, value in asdict(sheet).items() if value not in (None, ())}
    if "cover_after_h" in data and len(sheet.cover_after_h) == 1:
        data["cover_after_h"] = sheet.cover_after_h[0][1]
    if "primer" in data:
        data["primer"] = [
            {key: value for key, value in item.items() if value is not None}
            for item in data["primer"]
        ]
    return data


def _toml(value: Any) -> str:
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, (tuple, list)):
        return f"[{', '.join(_toml(item) for item in value)}]"
    return f"{value:g}" if isinstance(value, float) and float(f"{value:g}") == value else str(value)
