"""Base of every model read from a file: frozen, unknown keys refused."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


def kebab(name: str) -> str:
    """Field name as written in files."""
    return name.replace("_", "-")


class Model(BaseModel):
    """Frozen, strict about keys; keys are kebab-case in files."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", alias_generator=kebab, populate_by_name=True
    )
