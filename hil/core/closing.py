"""What is closed at the end of a ``with`` block."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Self


class Closing(ABC):
    """Has `close`, which a ``with`` block calls however it ends."""

    @abstractmethod
    def close(self) -> None:
        """Let go of what is held; a second call does nothing."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_how: object) -> None:
        self.close()
