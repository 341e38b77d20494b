"""The description of an interlock: digital inputs that are read; see `hil.plan.described`.

interlock:
  contacts: {emergency-stop: 1, guard: 2}
  commands: {query: "DIN? {input}", closed-reads: 0}      # each input by itself
  commands: {query: "PORT? 1", inputs: 8}                 # all at once, input 1 the lowest bit
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from hil.plan.described import Described, Fixed, line, once
from hil.ports.reading_commands import INTERLOCK, InterlockCommands


def _asks(text: str) -> str:
    if "?" not in line(text):
        raise ValueError(f"expected a query, with a question mark, found {text!r}")
    return once(text, "{input}") if "{" in text or "}" in text else text


class InterlockTexts(Described):
    """Emergency-stop and guard contacts on digital inputs."""

    setup: tuple[Fixed, ...] = ()
    query: Annotated[str, AfterValidator(_asks)] = INTERLOCK.query
    inputs: Annotated[int, Field(strict=True, ge=1, le=64)] | None = None  # in one answer
    closed_reads: Annotated[int, Field(strict=True, ge=0, le=1)] = 1

    @model_validator(mode="after")
    def _either(self) -> InterlockTexts:
        # a missing bit reads 0, which may stand for a closed circuit: the width must be told
        if "{input}" in self.query and self.inputs is not None:
            raise ValueError("inputs: each is asked for by itself, with {input} in the query")
        if "{input}" not in self.query and self.inputs is None:
            raise ValueError(
                f"inputs is missing: {self.query!r} has no {{input}}, so that its answer holds "
                "them all; how many?"
            )
        return self

    def described(self, name: str = "") -> InterlockCommands:
        """The same for a driver."""
        return InterlockCommands(
            name=self.name or name,
            setup=self.setup,
            error_query=self.error_query,
            command_gap=self.command_gap,
            query=self.query,
            inputs=self.inputs or 0,
            closed_reads=self.closed_reads == 1,
        )
