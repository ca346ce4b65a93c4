"""Help comes at once, and says what the commands do."""

import subprocess
import sys

import pytest

from hetwright.cli import HELP_TEXT
from hetwright.cli.app import COMMANDS
from hetwright.cli.help_text import command_tree_help


def test_help_written_beforehand_is_what_the_command_tree_prints():
    assert HELP_TEXT.read_text(encoding="utf-8") == command_tree_help(), "run python -m hetwright.cli.help_text"


def modules_after(*arguments):
    """Top-level modules imported by the time a command ends."""
    script = (
        "import sys\n"
        f"sys.argv = ['hetwright', *{list(arguments)!r}]\n"
        "from hetwright.cli import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "sys.stderr.write(' '.join(sorted({name.partition('.')[0] for name in sys.modules})))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("Usage: hetwright")
    return set(done.stderr.split())


@pytest.mark.parametrize("arguments", [(), ("--help",), ("-h",)])
def test_the_main_help_imports_neither_arrays_nor_tables_nor_the_toolkit(arguments):
    assert not {"numpy", "scipy", "rich", "click", "tomlkit"} & modules_after(*arguments)


@pytest.mark.parametrize(
    "arguments",
    [
        ("card", "--help"),
        ("card", "new", "-h"),
        ("normals", "--help"),
        ("suspects", "--help"),
        ("demo", "--help"),
        ("card",),
    ],
)
def test_help_of_a_command_needs_neither_arrays_nor_tables(arguments):
    assert not {"numpy", "scipy", "rich"} & modules_after(*arguments)


def test_a_json_answer_needs_no_tables(demo_files):
    script = (
        "import sys\n"
        f"sys.argv = ['hetwright', 'normals', {str(demo_files[0])!r}, '--no-cold', '--json', '--quiet']\n"
        "from hetwright.cli import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "assert 'rich' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_listed_with_what_it_does(name, hetwright):
    answer = hetwright(name, "--help")
    assert answer.status == 0
    assert answer.out.startswith(f"Usage: hetwright {name}")
    assert f"{name} " in HELP_TEXT.read_text(encoding="utf-8")
    assert COMMANDS[name][2] in HELP_TEXT.read_text(encoding="utf-8")


@pytest.mark.parametrize("command", ["card new", "card check", "normals", "suspects", "demo"])
def test_every_command_takes_json_words_and_quiet(command, hetwright):
    said = hetwright(*command.split(), "--help").out
    assert all(option in said for option in ("--json", "--words", "--quiet"))
