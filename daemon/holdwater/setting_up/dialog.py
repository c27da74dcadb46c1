"""Asking: a question, its answer checked at once, `back`, `?`, and what is answered already taken from the journal."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

from holdwater.setting_up.journal import DONE, Entry, Journal

T = TypeVar("T")

BACK = ("back", "b")
HELP = ("?", "help")
LEAVE = ("leave", "quit", "exit")
WORDS = (
    "Each question: type the answer and press Enter; Enter alone takes what stands in [ ]. ? explains, "
    "back goes one question back, leave (or Ctrl-C) stops; you can go on later."
)


class Screen(Protocol):
    """The terminal, as the interview needs it."""

    def say(self, text: str) -> None:
        """Print some lines."""
        ...

    def read(self, prompt: str, *, hidden: bool = False) -> str:
        """One line from the person; raises EOFError or KeyboardInterrupt when there is none."""
        ...


class Wrong(Exception):  # noqa: N818 -- not a fault: an answer to be asked again
    """An answer that cannot be.

    Args:
        found: what was found.
        expected: what would have been right.
        do: what to write instead.
    """

    def __init__(self, found: str, expected: str, do: str = "") -> None:
        self.found, self.expected, self.do = found, expected, do
        super().__init__(found)

    def words(self) -> str:
        """The lines that the person reads."""
        lines = [f"  found:    {self.found}", f"  expected: {self.expected}"]
        return "\n".join([*lines, f"  next:     {self.do}"] if self.do else lines)


class Again(Exception):  # noqa: N818 -- a turn of the conversation, no fault
    """Ask anew from the question of a key on."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(key)


class Left(Exception):  # noqa: N818
    """The person left; what was answered is in the journal."""


class _Back(Exception):  # noqa: N818
    pass


class Dialog:
    """One interview on a screen, over a journal."""

    def __init__(self, screen: Screen, journal: Journal) -> None:
        self._screen = screen
        self._journal = journal
        self._at = 0
        self._held: list[str] = []

    def run(self, interview: Callable[[Dialog], T]) -> T:
        """Run an interview to its end, as often as somebody goes back.

        Args:
            interview: asks its questions in an order that depends on the answers only.

        Raises:
            Left: the person left.
        """
        while True:
            self._at, self._held = 0, []
            try:
                result = interview(self)
            except _Back:
                if not self._journal.back():
                    self._screen.say("This is the first question.")
            except Again as again:
                self._journal.back_to(again.key)
            else:
                self._show_held()
                return result

    def tell(self, text: str) -> None:
        """Say something with the next question; not said anew over what is answered already."""
        self._held.append(text)

    def say(self, text: str) -> None:
        """Say something now, whatever comes next."""
        self._show_held()
        self._screen.say(text)

    def ask(self, key: str, question: str, read: Callable[[str], T], *, default: str = "", why: str = "") -> T:
        """The answer to a question, from the journal or from the person.

        Args:
            key: its name in the journal.
            question: what to ask.
            read: makes a value of the text; raises `Wrong`.
            default: what Enter alone stands for; empty: Enter alone is an answer like any other.
            why: what `?` says.

        Raises:
            Left: the person left.
        """
        kept = self._kept(key)
        if kept is not None:
            try:
                value = read(kept)
            except Wrong:
                self._journal.cut(self._at)
            else:
                self._at += 1
                self._held = []
                return value
        self._show_held()
        offer = self._journal.offers.get(key, default)
        while True:
            text = self._line(f"{question}\n{f'[{offer}] ' if offer else ''}> ", why) or offer
            try:
                value = read(text)
            except Wrong as wrong:
                self._screen.say(wrong.words())
                continue
            self._journal.add(Entry(key, text))
            self._at += 1
            return value

    def secret(self, key: str, question: str, keep: Callable[[str], str]) -> str:
        """As `ask`, for what must not show: `keep` puts it away and gives the name of its file, which the journal holds."""
        kept = self._kept(key)
        if kept is not None:
            self._at += 1
            self._held = []
            return kept
        self._show_held()
        text = ""
        while not text:
            text = self._line(f"{question}\n> ", "", hidden=True)
        name = keep(text)
        self._journal.add(Entry(key, name))
        self._at += 1
        return name

    def once(self, key: str, act: Callable[[], str]) -> str:
        """Do something once in this interview, not again over what is answered already; its words are kept."""
        kept = self._kept(key)
        if kept is None:
            self._show_held()
            kept = act()
            self._journal.add(Entry(key, kept, DONE))
        self._at += 1
        return kept

    def _kept(self, key: str) -> str | None:
        """The journal's entry at this place; one of another key is out of date, with all that follows."""
        entries = self._journal.entries
        if self._at >= len(entries):
            return None
        if entries[self._at].key != key:
            self._journal.cut(self._at)
            return None
        return entries[self._at].text

    def _show_held(self) -> None:
        held, self._held = self._held, []
        for text in held:
            self._screen.say(text)

    def _line(self, prompt: str, why: str, *, hidden: bool = False) -> str:
        while True:
            try:
                text = self._screen.read(prompt, hidden=hidden).strip()
            except (EOFError, KeyboardInterrupt):
                raise Left from None
            if text.lower() in BACK:
                raise _Back
            if text.lower() in LEAVE:
                raise Left
            if text.lower() not in HELP:
                return text
            self._screen.say(why or WORDS)
