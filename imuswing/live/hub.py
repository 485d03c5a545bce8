"""Where engine and page meet: the engine publishes messages, a page sends commands; both from threads of their own."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from imuswing.live.messages import (
    Block,
    Command,
    Ended,
    Feedback,
    Hello,
    Levels,
    Message,
    Notice,
    Outcome,
    Problem,
    Routine,
    Shot,
    Step,
    Undone,
    to_json,
)

Told = TypeVar("Told", Hello, Routine, Levels, Block, Feedback, Ended)
Sink = Callable[[str], None]
"""Takes one message as JSON. It is called from the engine's thread and must return at once (put it into a queue)."""

KEPT_SHOTS = 200
"""Shots that a page which connects late is told."""


class Hub:
    """Messages out, commands in. A page that connects late is told what it missed as far as it still holds."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._sinks: list[Sink] = []
        self._latest: dict[str, Message] = {}
        self._steps: dict[str, Step] = {}
        self._shots: dict[int, Shot] = {}
        self._outcomes: dict[int, Outcome] = {}
        self._notices: dict[tuple[str, str], Notice] = {}
        self._problem: Problem | None = None
        self._commands: deque[Command] = deque()

    def publish(self, message: Message) -> None:
        """Tell all pages; remembered where it still holds for one that connects later."""
        text = to_json(message)
        with self._lock:
            self._remember(message)
            for sink in self._sinks:
                sink(text)

    def attach(self, sink: Sink) -> None:
        """Tell `sink` all that holds, then every message as it comes, in order and without a gap."""
        with self._lock:
            for message in self._held():
                sink(to_json(message))
            self._sinks.append(sink)

    def detach(self, sink: Sink) -> None:
        """Tell `sink` nothing more."""
        with self._lock:
            self._sinks.remove(sink)

    def send(self, command: Command) -> None:
        """From a page: the engine carries it out with its next samples."""
        self._commands.append(command)

    def commands(self) -> list[Command]:
        """For the engine: the commands that have come since the last call, in order."""
        return [self._commands.popleft() for _ in range(len(self._commands))]

    def latest(self, kind: type[Told]) -> Told | None:
        """The last message of a kind that still holds (`Hello`, `Routine`, `Block`, …); None before the first."""
        with self._lock:
            found = self._latest.get(kind.__name__)
        return found if isinstance(found, kind) else None

    def _remember(self, message: Message) -> None:
        if isinstance(message, Shot):
            self._shots[message.number] = message
            while len(self._shots) > KEPT_SHOTS:
                del self._shots[min(self._shots)]
        elif isinstance(message, Undone):
            self._shots.pop(message.number, None)
            self._outcomes.pop(message.number, None)
        elif isinstance(message, Outcome):
            self._outcomes[message.number] = message
        elif isinstance(message, Notice):
            self._remember_notice(message)
        elif isinstance(message, Problem) and message.lasts is not None:
            self._problem = message if message.lasts else None
        elif isinstance(message, Step):
            self._steps[message.step] = message
        elif isinstance(message, Routine):
            self._steps.clear()
            self._latest["Routine"] = message
        elif isinstance(message, Hello | Levels | Block | Feedback | Ended):
            self._latest[type(message).__name__] = message

    def _remember_notice(self, notice: Notice) -> None:
        """What is wrong with a sensor holds until it is back; what was over at once is not told again."""
        if notice.kind in ("came_back", "clock_changed"):
            for kind in ("never_came", "dropped_out", "samples_lost"):
                self._notices.pop((notice.point, kind), None)
        elif notice.kind != "at_limit":
            self._notices[notice.point, notice.kind] = notice

    def _held(self) -> list[Message]:
        """What holds: greeting, routine, feedback and block first, then sensors, shots as past ones, and the end."""
        first = [self._latest[name] for name in ("Hello", "Routine") if name in self._latest]
        then = [self._latest[name] for name in ("Feedback", "Block", "Levels") if name in self._latest]
        shots = [self._shots[number] for number in sorted(self._shots)]
        outcomes = [self._outcomes[number] for number in sorted(self._outcomes) if number in self._shots]
        end = [self._latest[name] for name in ("Ended",) if name in self._latest]
        wrong: list[Message] = [*self._notices.values(), *([self._problem] if self._problem else [])]
        return [*first, *self._steps.values(), *then, *wrong, *map(_quiet, shots), *outcomes, *end]


def _quiet(shot: Shot) -> Shot:
    """A shot that is told again: nothing sounds."""
    return replace(shot, sound=False)
