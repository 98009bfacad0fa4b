"""Write the JSON Schemas into docs/schemas/, after a change to what they tell of."""

from __future__ import annotations

from pathlib import Path

from taptone.edges.schemas import SCHEMAS, schema_text

FOLDER = Path(__file__).parents[1] / "docs" / "schemas"


def main() -> None:
    """Write them all."""
    FOLDER.mkdir(exist_ok=True)
    for name in SCHEMAS:
        (FOLDER / f"{name}.schema.json").write_text(schema_text(name), encoding="utf-8")
        print(f"written: docs/schemas/{name}.schema.json")


if __name__ == "__main__":
    main()
