"""What each command says where it cannot do what was asked, and what it prints where it can do little."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from telemetry.cli import main

MACHINE = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
ROWS = "\n".join(["t,pack_voltage,pack_current", *(f"{n / 2},52.0,{20 + n % 3}" for n in range(200))])


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a machine file, a drive and an old page; no store yet."""
    monkeypatch.chdir(tmp_path)
    Path("cart.toml").write_text(MACHINE)
    Path("drive.csv").write_text(ROWS)
    Path("page.html").write_text("of another drive")
    Path("x.log").write_text("(0.000000) can0 123#00\n")
    return tmp_path


@pytest.mark.parametrize(
    ("command", "status", "says"),
    [
        ("sessions --store none.sqlite3", 3, "there is no store at none.sqlite3; record a session first"),
        (
            "report drive.csv --html page.html",
            2,
            "page.html: the file exists already; choose another name, or add --replace",
        ),
        ("report sixth", 2, "sixth"),
        ("compare drive.csv", 2, "compare needs two sessions or more, such as: shakedown compare 3 7"),
        ("export drive.csv out.txt --raw", 2, "drive.csv is a file and holds no raw bytes; give a session's number"),
        ("bundle drive.csv", 2, "drive.csv is not a session; give a session's number or last"),
        ("alarms drive.csv", 2, "has no machine file, so it has no limits; add --machine FILE"),
        ("alarms x.log --machine cart.toml", 2, "x.log"),
        ("simulate --link replay --for 0.1", 2, "nothing can be simulated behind 'replay'; there is "),
        ("simulate --for 0.1 --scenario racing", 2, "orchard"),
        ("machine-schema --out page.html", 2, "page.html"),
        ("limits cart.toml --set cell-spread.warn=-1", 2, "is -1 V, and must be above 0"),
        (
            "limits cart.toml --set cell-voltage-low.warn=2.4 --set cell-voltage-low.trip=2.9",
            2,
            "cart.toml was left as it is: with this change it has 1 problem",
        ),
        ("limits cart.toml --set cell-sprad.warn=1", 2, "did you mean cell-spread?"),
        ("repair none.sqlite3", 2, "there is no store at none.sqlite3; name the damaged file"),
        ("fit none.toml", 2, "none.toml"),
        ("isolate none.csv", 2, "no such file"),
        (f"report {'x' * 300}.csv", 2, "the system does not open it: File name too long"),
        (f"sessions --store {'x' * 300}", 2, "the system does not open it: File name too long"),
        ("import .", 2, "it is a folder; name the file in it"),
        ("align drive.csv --machine none.toml", 2, "none.toml"),
        ("decode-check none.toml x.log", 2, "none.toml"),
    ],
)
def test_a_sentence_and_no_more(
    command: str, status: int, says: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.read_bytes() for path in here.iterdir()}
    assert main(command.split()) == status
    said = capsys.readouterr()
    assert says in said.err
    assert "Traceback" not in said.err
    assert said.out == ""
    assert {path: path.read_bytes() for path in here.iterdir()} == before, "nothing is written, nothing is changed"


@pytest.mark.parametrize("value", ["much", "0", "-3", "1001", "nan", "1e9"])
def test_a_wall_meter_counts_kilowatt_hours(value: str, here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["report", "drive.csv", f"--wall-kwh={value}"])
    assert ended.value.code == 2
    assert "is not a number of kWh above 0, such as 6.4" in capsys.readouterr().err


def test_a_wall_meter_may_have_a_decimal_comma(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "drive.csv", "--wall-kwh", "6,4", "--machine", "cart.toml"]) in (0, 1)
    assert "Traceback" not in capsys.readouterr().err


def test_without_a_store_there_are_no_sessions_and_none_is_made(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SHAKEDOWN_STORE", str(here / "none.sqlite3"))
    assert main(["sessions", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == []
    assert main(["sessions"]) == 0
    assert capsys.readouterr().out.strip()
    assert not (here / "none.sqlite3").exists()


def test_the_schema_of_the_machine_file_is_one_and_takes_a_machine_file(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import tomllib

    assert main(["machine-schema"]) == 0
    printed = capsys.readouterr().out
    assert main(["machine-schema", "--out", "schema.json"]) == 0
    assert Path("schema.json").read_text() == printed
    schema = json.loads(printed)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(tomllib.loads(MACHINE), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(MACHINE.replace("100", '"much"')), schema)


def test_a_limit_of_the_owners_is_written_and_told_as_json(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", "cart.toml", "--set", "cell-spread.warn=0.1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "cell-spread" in json.dumps(told)
    assert "[limits.cell-spread]" in Path("cart.toml").read_text()
    assert main(["limits", "cart.toml", "--unset", "cell-spread"]) == 0
    assert capsys.readouterr().out.startswith("cart.toml changed:")
    assert "limits" not in Path("cart.toml").read_text()


def test_a_machine_file_with_a_byte_order_mark_keeps_it(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("cart.toml").write_bytes(b"\xef\xbb\xbf" + MACHINE.encode())
    assert main(["limits", "cart.toml", "--set", "cell-spread.warn=0.1"]) == 0
    assert Path("cart.toml").read_bytes().startswith(b"\xef\xbb\xbf[pack]")
    capsys.readouterr()


@pytest.mark.parametrize("as_json", [False, True])
def test_a_simulated_machine_says_how_to_watch_it(
    as_json: bool, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["simulate", "--link", "serial-text", "--for", "0.1"]
    assert main([*command, "--write", "there.toml", *(["--json"] if as_json else [])]) == 0
    told = capsys.readouterr().out
    text = Path("there.toml").read_text()
    assert 'driver = "serial-text"' in text
    if as_json:
        assert json.loads(told)["machine_file"] == text
    else:
        assert "watch it with: shakedown watch there.toml" in told
        assert main(command) == 0
        assert "machine file to watch it with:" in capsys.readouterr().out
