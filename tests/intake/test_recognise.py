"""Which column is which, in what unit, how sure, and what the user can say against it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import IntakeError
from vinemap.intake import guess_kind, preview_source, read_frame, read_source
from vinemap.intake.fields import FIELDS, METHOD_WORDS
from vinemap.intake.header import known_unit, plain_words, split_header
from vinemap.intake.recognise import recognise_columns
from vinemap.intake.vector import raw_from_frame
from vinemap.tables import COUNTS, LOADS, METHODS, READINGS, RENEWALS
from vinemap.units import FACTORS


def log(**columns) -> pd.DataFrame:
    count = 30
    frame = {
        "time": (pd.Timestamp("2024-03-01T08:00:00Z") + pd.to_timedelta(np.arange(count), unit="s")).astype(
            str
        ),
        "lat": np.linspace(-34.2, -34.199, count),
        "lon": np.linspace(140.5, 140.5003, count),
    }
    return pd.DataFrame(frame | {name: np.full(count, value) for name, value in columns.items()})


def guesses(frame: pd.DataFrame, kind: str = "harvest", **arguments):
    found = recognise_columns(raw_from_frame(frame, "x"), FIELDS[kind], **arguments)
    return {one.field: one for one in found}


@pytest.mark.parametrize("kind", FIELDS)
def test_every_header_word_finds_its_own_field_when_alone(kind):
    """No word of one field may be taken by another of its kind, but for those that mean two things."""
    two_meanings = {
        "x",
        "y",
        "est",
        "este",
        "breite",
        "name",
        "id",
        "date",
        "fecha",
        "datum",
        "data",
        "jour",
        "day",
        "dia",
        "tag",
        "giorno",
        "time",
        "hora",
        "heure",
        "ora",
        "zeit",
    }
    for one in FIELDS[kind]:
        for word in one.words:
            words = plain_words(word)
            owners = [
                other.name for other in FIELDS[kind] if words in {plain_words(each) for each in other.words}
            ]
            if words not in two_meanings and one.kind != "time":
                assert owners == [one.name], f"{word!r} belongs to {owners}"


# A believable value of each type of field, and of those whose values are looked at.
BELIEVABLE = {
    "number": 1.5, "whole": 2, "text": "a", "name": "a", "time": "2024-03-01T08:00:00Z", "latitude": -34.2001,
    "longitude": 140.5001, "easting": 402_000.5, "northing": 6_200_000.5, "vintage": 2020, "year": 2020,
    "year_planted": 2001, "trellis_year": 2001,
}  # fmt: skip


@pytest.mark.parametrize("kind", FIELDS)
def test_every_header_word_of_every_language_is_recognised(kind):
    """Alone in a table, as people write it: "Weight in" is no weight in inches, "Vine to" none in tonnes."""
    for one in FIELDS[kind]:
        value = BELIEVABLE.get(one.name, BELIEVABLE[one.kind])
        for word in one.words:
            found = guesses(pd.DataFrame({word.title(): [value] * 3}), kind)
            assert list(found) == [one.name], word


@pytest.mark.parametrize("kind", ["harvest", "blocks", "loads", "counts"])
def test_every_unit_is_read_from_its_header(kind):
    for one in FIELDS[kind]:
        known = FACTORS[one.unit] if one.unit else {}
        for unit, factor in known.items():
            found = guesses(pd.DataFrame({f"{one.words[0].title()} ({unit})": [1.5] * 3}), kind)
            assert known[found[one.name].unit] == pytest.approx(factor), unit


def test_words_are_written_without_accents_and_units_are_known():
    for fields in FIELDS.values():
        for one in fields:
            assert all(word == plain_words(word) for word in one.words), one.name
            assert not one.unit or one.unit in FACTORS
            for unit in one.candidates:
                assert unit in FACTORS[one.unit]
            assert one.low < one.high


@pytest.mark.parametrize(
    ("kind", "table"), [("harvest", READINGS), ("loads", LOADS), ("counts", COUNTS), ("renewals", RENEWALS)]
)
def test_own_column_names_are_recognised(kind, table):
    """What vinemap writes it can read: every column name of the table is its own field."""
    own = {"reading_id", "import_id", "source_row"}
    names = [one.name for one in table.columns if one.name not in own]
    values = {
        "time": "2024-03-01T08:00:00Z",
        "machine": "H1",
        "block_id": "A1",
        "method": "infill",
        "load_id": "7",
        "variety": "Shiraz",
        "vintage": 2024,
        "year": 2020,
        "easting": 6e5,
        "northing": 6e6,
    }
    frame = pd.DataFrame({name: [values.get(name, 2)] * 3 for name in names})
    found = {name: one.header for name, one in guesses(frame, kind).items()}
    assert {name: found.get(name) for name in names} == {name: name for name in names}


@pytest.mark.parametrize(
    ("header", "words", "unit"),
    [
        ("Speed (km/h)", "speed", "km/h"),
        ("speed_km_h", "speed", "km/h"),
        ("Ground Speed [mph]", "ground speed", "mph"),
        ("Débit massique (t/h)", "debit massique", "t/h"),
        ("massFlow_kg_s", "mass flow", "kg/s"),
        ("Yield (short tons/acre)", "yield", "short_ton/acre"),
        ("Ertrag [dt/ha]", "ertrag", ""),
        ("MOG %", "mog", "%"),
        ("Breite [°]", "breite", "deg"),
        ("width_ft", "width", "ft"),
        ("Tonnes", "tonnes", "t"),
        ("Time (UTC)", "time", "UTC"),
        ("net_kg", "net", "kg"),
        ("m", "m", ""),
        ("", "", ""),
    ],
)
def test_header_is_parted_into_words_and_unit(header, words, unit):
    assert split_header(header) == (words, unit)


@pytest.mark.parametrize(
    "unit", ["km/h", "mph", "kg/s", "t/h", "lb/s", "t/ha", "lb", "ft", "%", "fraction", "short_ton"]
)
def test_units_of_the_unit_table_are_known(unit):
    assert known_unit(unit) == unit


@pytest.mark.parametrize(
    ("column", "value", "field", "unit", "sure"),
    [
        ("speed", 1.2, "speed_m_s", "m/s", True),
        ("speed", 7.5, "speed_m_s", "km/h", True),
        ("speed", 4.5, "speed_m_s", "km/h", False),  # or mph
        ("flow", 0.8, "mass_flow_kg_s", "kg/s", False),  # or lb/s
        ("flow", 40.0, "mass_flow_kg_s", "t/h", True),
        ("width", 3.0, "width_m", "m", False),  # 3 ft is possible too, hardly
        ("width", 10.0, "width_m", "ft", True),
        ("yield", 9000.0, "yield_t_ha", "kg/ha", True),
        ("yield", 300.0, "yield_t_ha", "t/ha", False),
    ],
)
def test_unit_by_the_values(column, value, field, unit, sure):
    """A median of 40 cannot be kg/s, one of 9000 cannot be t/ha; what can be two things is doubtful."""
    extra = {} if field in ("mass_flow_kg_s", "yield_t_ha") else {"flow (kg/s)": 2.0}
    one = guesses(log(**extra, **{column: value}))[field]
    assert one.unit == unit
    if sure:
        assert one.confidence >= 0.75
    if one.confidence < 0.75:
        taken = read_frame(log(**extra, **{column: value}), "harvest")
        assert any(note.startswith("Doubtful") and f"--unit {field}=UNIT" in note for note in taken.notes)


def test_user_overrides_column_and_unit_and_can_deny_a_field():
    frame = log(speed=1.0, other=4.0, flow=3.0)
    plain = read_frame(frame, "harvest").table
    assert plain["speed_m_s"].iloc[0] == pytest.approx(1.0)
    said = read_frame(frame, "harvest", columns={"speed_m_s": "other"}, units={"speed_m_s": "mph"})
    assert said.table["speed_m_s"].iloc[0] == pytest.approx(4.0 * 1609.344 / 3600)
    denied = read_frame(frame, "harvest", columns={"speed_m_s": ""})
    assert denied.table["speed_m_s"].isna().all()
    one = next(guess for guess in said.guesses if guess.field == "speed_m_s")
    assert (one.confidence, one.unit) == (1.0, "mph")


def test_breite_is_latitude_beside_laenge_and_width_with_metres():
    frame = (
        log()
        .rename(columns={"lat": "Breite", "lon": "Länge"})
        .assign(Breite=np.linspace(48.2, 48.201, 30), flow=2.0)
    )
    assert guesses(frame)["latitude"].header == "Breite"
    both = log(**{"Breite (m)": 3.0, "flow": 2.0})
    assert guesses(both)["width_m"].header == "Breite (m)"


def test_kind_is_guessed_from_the_columns(tmp_path):
    cases = {
        "harvest": log(flow=2.0, speed=1.0),
        "loads": pd.DataFrame(
            {"ticket": ["1"], "vintage": [2024], "block": ["A1"], "gross (kg)": [2e4], "tare (kg)": [8e3]}
        ),
        "counts": pd.DataFrame(
            {"block": ["A1"], "row": [1], "vines": [50], "missing": [2], "symptomatic": [3]}
        ),
        "renewals": pd.DataFrame({"block": ["A1"], "method": ["infill"], "year": [2020], "cost": [1.0]}),
    }
    for kind, frame in cases.items():
        assert guess_kind(raw_from_frame(frame, "x"))[0] == kind


def test_preview_shows_all_and_stores_nothing(tmp_path):
    file = tmp_path / "log.csv"
    frame = log(**{"Speed": 4.5, "Flow (kg/s)": 2.0, "Operator": 1.0}).astype(object)
    frame.loc[3, "Flow (kg/s)"] = "n/v"
    frame.to_csv(file, index=False, sep=";")
    seen = preview_source(file)
    assert (seen.kind, seen.delimiter, seen.encoding, seen.problem) == ("harvest", "semicolon", "utf-8", "")
    assert seen.unused == ["Operator"]
    assert (seen.rows_read, seen.rows_refused) == (30, 1)
    assert seen.reasons == {"mass flow is not a number": 1}
    assert len(seen.first_rows) == 8
    assert any("Doubtful" in note and "'Speed'" in note for note in seen.notes)
    plain = seen.to_dict()
    assert plain["first_rows"][0]["speed_m_s"] == pytest.approx(1.25)
    assert plain["first_rows"][0]["geometry"].startswith("POINT (140.5")
    import json

    assert json.loads(json.dumps(plain)) == plain
    assert sorted(one.name for one in tmp_path.iterdir()) == ["log.csv"]


def test_preview_of_a_refused_file_says_why_and_what_was_seen(tmp_path):
    file = tmp_path / "log.csv"
    log().to_csv(file, index=False)
    seen = preview_source(file, kind="harvest")
    assert "No column was recognised as mass flow (mass_flow_kg_s)" in seen.problem
    assert {one.field for one in seen.guesses} == {"time", "latitude", "longitude"}
    assert seen.rows_read == 30
    with pytest.raises(IntakeError, match=r"no such file"):
        preview_source(tmp_path / "none.csv")


def test_methods_in_words_are_ours():
    assert tuple(METHOD_WORDS) == METHODS


def test_order_of_day_and_month_is_told_when_both_can_be(tmp_path):
    frame = log(flow=2.0).assign(time=[f"0{1 + n % 5}/03/2024 10:00:{n:02d}" for n in range(30)])
    frame.to_csv(tmp_path / "a.csv", index=False)
    taken = read_source(tmp_path / "a.csv", "harvest")
    assert taken.table["time"].dt.month.unique().tolist() == [3]
    assert any("day or month first; day first was taken" in note for note in taken.notes)
