"""The descriptor of the flat tables (Data Package standard, version 2), made from the schemas."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from schemas.core import Field, Table
from schemas.tables import TABLES, columns_of

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_TYPES = {
    "text": "string",
    "integer": "integer",
    "bigint": "integer",
    "real": "number",
    "boolean": "boolean",
    "date": "date",
    "time": "time",
    "timestamp": "datetime",
}
_MEDIA = {".csv": "text/csv", ".parquet": "application/vnd.apache.parquet"}


def describe(folder: Path, written: list[tuple[Table, Path]], sets: dict[str, list[Path]], title: str) -> str:
    """The descriptor as JSON text: a resource a file, with fields, key, size and hash; and a resource a
    sample set that has files, with all of them below `folder`."""
    package = {
        "$schema": PROFILE,
        "name": "yardmark",
        "title": title,
        "resources": [
            *(_resource(table, path) for table, path in written),
            *(_set_resource(TABLES[name], folder, paths) for name, paths in sets.items() if paths),
        ],
    }
    return json.dumps(package, ensure_ascii=False, indent=1) + "\n"


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return f"sha256:{hashlib.file_digest(file, 'sha256').hexdigest()}"


def _set_resource(table: Table, folder: Path, paths: list[Path]) -> dict[str, Any]:
    """A sample set: `path` lists its parts, `hashes` (no property of the standard) the hash of each."""
    return {
        "name": f"{table.name}-parquet",
        "type": "table",
        "path": [path.relative_to(folder).as_posix() for path in paths],
        "description": f"A row is {table.row_is}. A file a month.",
        "format": "parquet",
        "mediatype": _MEDIA[".parquet"],
        "bytes": sum(path.stat().st_size for path in paths),
        "hashes": [_hash(path) for path in paths],
        "schema": _schema(table),
    }


def _resource(table: Table, path: Path) -> dict[str, Any]:
    kind = path.suffix.removeprefix(".")
    resource: dict[str, Any] = {
        "name": f"{table.name}-{kind}",
        "type": "table",
        "path": path.name,
        "description": f"A row is {table.row_is}.",
        "format": kind,
        "mediatype": _MEDIA[path.suffix],
        "bytes": path.stat().st_size,
        "hash": _hash(path),
        "schema": _schema(table),
    }
    if kind == "csv":
        resource["encoding"] = "utf-8"
        resource["dialect"] = {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "header": True}
    return resource


def _schema(table: Table) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(name, field, name in table.required) for name, field in columns_of(table).items()],
        "missingValues": [""],
    }
    # The standard allows no empty cell in a primary key.
    if set(table.key) <= table.required:
        schema["primaryKey"] = list(table.key)
    return schema


def _field(name: str, field: Field, required: bool) -> dict[str, Any]:
    entry: dict[str, Any] = {"name": name, "type": _TYPES[field.type], "description": field.comment}
    if field.unit:
        entry["unit"] = field.unit
    constraints: dict[str, Any] = {"required": True} if required else {}
    if field.values:
        constraints["enum"] = list(field.values)
    if constraints:
        entry["constraints"] = constraints
    return entry
