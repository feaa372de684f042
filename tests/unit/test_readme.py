"""README shows the same marks and cautions as the code; `python tests/unit/test_readme.py` renews them."""

from pathlib import Path

from padlab.cautions import CAUTIONS
from padlab.cli.main import COMMANDS
from padlab.marks import CODES

README = Path(__file__).parents[2] / "README.md"


def marks_table():
    rows = [f"| `{code}` | {weight} | {words} |" for code, (weight, words) in sorted(CODES.items())]
    return "\n".join(["| mark | weight | what it says |", "|---|---|---|", *rows])


def cautions_list():
    return "\n".join(f"* **{title}.** {text}" for title, text in CAUTIONS)


def between(text, name):
    return text.split(f"<!-- {name} -->\n")[1].split(f"<!-- end of {name} -->")[0].strip()


def test_marks_are_the_code_s():
    assert between(README.read_text("utf-8"), "marks") == marks_table()


def test_cautions_are_the_code_s():
    assert between(README.read_text("utf-8"), "cautions") == cautions_list()


def test_every_command_is_in_the_readme():
    text = README.read_text("utf-8")
    for name in COMMANDS:
        assert f"`padlab {name}" in text
        assert f"padlab {name} " in text


def renew():
    text = README.read_text("utf-8")
    for name, made in (("marks", marks_table()), ("cautions", cautions_list())):
        head, rest = text.split(f"<!-- {name} -->\n")
        tail = rest.split(f"<!-- end of {name} -->", 1)[1]
        text = f"{head}<!-- {name} -->\n{made}\n<!-- end of {name} -->{tail}"
    README.write_text(text, "utf-8")


if __name__ == "__main__":
    renew()
