"""SQL made from the declarations: CREATE TABLE with comments, for the warehouse and the published file."""

from __future__ import annotations

from schemas.core import Field, Table
from schemas.tables import columns_of

SQL_TYPES: dict[str, str] = {
    "text": "VARCHAR",
    "integer": "INTEGER",
    "bigint": "BIGINT",
    "real": "DOUBLE",
    "boolean": "BOOLEAN",
    "date": "DATE",
    "time": "TIME",
    "timestamp": "TIMESTAMP",
}


def quote(name: str) -> str:
    """An identifier in double quotes."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """A text in single quotes."""
    return "'" + text.replace("'", "''") + "'"


def create_table(table: Table, catalog: str = "") -> str:
    """CREATE TABLE of a table. `catalog` is put before its name, for an attached file."""
    lines = [
        f"{quote(name)} {SQL_TYPES[field.type]}" + (" NOT NULL" if name in table.required else "")
        for name, field in columns_of(table).items()
    ]
    return f"CREATE TABLE {_qualified(table, catalog)} (" + ", ".join(lines) + ")"


def create_stored_table(table: Table) -> str:
    """CREATE TABLE of a table of the warehouse, made for many rows to be added at once.

    A column that repeats another is not stored, and a word of a closed field as its number: most of what
    adding rows takes, texts take. Ids of rows are stored as they are, for nothing in them repeats (measured:
    1.3 million in 0.16 s of processor time, 26 MB; compressed 0.5 s, 13 MB).
    """
    repeats = dict(table.repeats)
    lines = []
    for name, field in columns_of(table).items():
        line = f"{quote(name)} {_stored_type(table, field)}"
        if name in repeats:
            lines.append(f"{line} GENERATED ALWAYS AS ({quote(repeats[name])}) VIRTUAL")
            continue
        line += " USING COMPRESSION uncompressed" if name == "row_id" else ""
        lines.append(line + (" NOT NULL" if name in table.required else ""))
    return f"CREATE TABLE IF NOT EXISTS {quote(table.name)} ({', '.join(lines)})"


def _stored_type(table: Table, field: Field) -> str:
    if table.words_checked and field.values:
        return f"ENUM ({', '.join(literal(word) for word in field.values)})"
    return SQL_TYPES[field.type]


def comments(table: Table, catalog: str = "") -> list[str]:
    """COMMENT statements: what a row of the table is, and each column's meaning and unit."""
    name = _qualified(table, catalog)
    statements = [f"COMMENT ON TABLE {name} IS {literal('A row is ' + table.row_is + '.')}"]
    statements += [
        f"COMMENT ON COLUMN {name}.{quote(column)} IS {literal(field.comment)}"
        for column, field in columns_of(table).items()
    ]
    return statements


def _qualified(table: Table, catalog: str) -> str:
    return f"{quote(catalog)}.main.{quote(table.name)}" if catalog else quote(table.name)
