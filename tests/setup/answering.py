"""A person at the screen, for tests: answers in order, by the words of the question; what was said is kept."""

from __future__ import annotations

from dataclasses import dataclass, field

from holdwater.setting_up.dialog import Left


@dataclass
class Person:
    """Answers questions from a list of (part of the question, answer); a question that nothing fits fails the test.

    An answer is used once; `always` holds those for questions that may come at any time, "" for Enter alone.
    """

    script: list[tuple[str, str]] = field(default_factory=list)
    always: dict[str, str] = field(default_factory=dict)
    enter: bool = False
    heard: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        """Keep what was said."""
        self.heard.append(text)

    def read(self, prompt: str, *, hidden: bool = False) -> str:
        """The answer to a prompt."""
        self.asked.append(prompt)
        for at, (part, answer) in enumerate(self.script):
            if part in prompt:
                del self.script[at]
                if answer == "<Ctrl-C>":
                    raise KeyboardInterrupt
                return answer
        for part, answer in self.always.items():
            if part in prompt:
                return answer
        if self.enter:
            return ""
        raise AssertionError(f"no answer for: {prompt}\nsaid before: {self.heard[-3:]}")

    @property
    def said(self) -> str:
        """All that was said, as one text."""
        return "\n".join(self.heard)


BEGINNER = [
    ("call the place", "Our place"),
    ("Gallons, inches", ""),
    ("Time zone", "America/Denver"),
    ("Where is it", "37.6, -105.0"),
    ("above the sea", "6700"),
    ("call the tank", "drinking"),
    ("water for", "drinking"),
    ("Which shape", "upright"),
    ("How do you tape", "inside"),
    ("Diameter, inside", "42"),
    ("floor to rim", "66"),
    ("overflow lip", "62"),
    ("Height of the tap", "3"),
    ("want to be told", "90"),
    ("What fills it", "well, load"),
    ("label say", "400"),
    ("Is that your tank", ""),
    ("another tank", ""),
    ("Which sensor", "ultrasonic"),
    ("sensor box called", ""),
    ("dead zone", "10"),
    ("on its spacer", "7"),
    ("full angle", "20"),
    ("nearest wall", "15"),
    ("about the air temperature", "itself"),
    ("MQTT broker", ""),
    ("Its port", ""),
    ("Our name at the broker", "none"),
    ("Walk test", "no"),
    ("mounted", "no"),
    ("outside air", "none"),
    ("rain gauge", "none"),
    ("What can freeze", "none"),
    ("Who is told", "none"),
    ("every device", "no"),
    ("Write ", "yes"),
]

__all__ = ["BEGINNER", "Left", "Person"]
