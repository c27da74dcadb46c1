"""docs/settings.md is what the models say."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel

from holdwater.config.fields import example_of, field_names, models_in, type_words
from holdwater.config.reference import settings_markdown
from holdwater.config.sections import sections

MANUAL = Path(__file__).parents[2] / "docs" / "settings.md"


def all_models() -> list[type[BaseModel]]:
    """Every model that may stand in a config, outer before inner."""
    found: list[type[BaseModel]] = []
    queue = [model for section in sections().values() for model in section.models]
    while queue:
        model = queue.pop(0)
        if model not in found:
            found.append(model)
            queue += [each for field in model.model_fields.values() for each in models_in(field.annotation)]
    return found


def test_the_manual_is_up_to_date():
    """Write it anew with: python -m holdwater.config.reference > docs/settings.md."""
    assert MANUAL.read_text(encoding="utf-8") == settings_markdown()


def test_every_setting_of_every_model_is_in_the_manual_with_its_meaning():
    """Key, kind of value, default, meaning: no cell is empty."""
    manual = settings_markdown()
    for model in all_models():
        for name in field_names(model):
            assert f"| `{name}` |" in manual, f"{model.__name__}.{name}"
    rows = [line for line in manual.splitlines() if line.startswith("| `")]
    assert len(rows) >= 100
    for row in rows:
        cells = [cell.strip() for cell in row.replace("\\|", "/").strip("|").split("|")]
        assert len(cells) == 4, row
        assert all(cells), row
        assert cells[3] != ".", row


def test_every_setting_has_a_description_and_a_kind_of_value_in_words():
    """Nothing is called just a value."""
    for model in all_models():
        for name, field in model.model_fields.items():
            assert field.description, f"{model.__name__}.{name}"
            assert "value" not in type_words(field).split(), f"{model.__name__}.{name}: {type_words(field)}"


def test_quantities_have_an_example_with_a_unit():
    """So that nobody has to guess how to write one."""
    for model in all_models():
        for name, field in model.model_fields.items():
            if "with its unit" in type_words(field):
                assert any(sign.isalpha() or sign in "%$" for sign in example_of(field)), f"{model.__name__}.{name}"
