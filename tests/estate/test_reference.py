"""The outside series of district yields beside estate.toml."""

from __future__ import annotations

import pytest

from vinemap.errors import DataError
from vinemap.estate import create_estate, open_store
from vinemap.estate.reference import read_reference


def written(folder, text):
    file = folder / "reference.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_reads_commas_and_semicolons_alike(tmp_path):
    plain = read_reference(written(tmp_path, "Vintage,Variety,yield_t_ha\n2025,Shiraz,14.5\n2026,,12\n"))
    other = read_reference(written(tmp_path, "vintage;variety;yield_t_ha\n2025;Shiraz;14,5\n2026;;12\n"))
    assert plain.equals(other)
    assert plain["variety"].tolist() == ["Shiraz", ""]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("year,yield\n2025,14\n", r"columns are year, yield; vintage and one of yield_t_ha"),
        ("vintage,index\n2025,ninety\n", r"index is 'ninety'; a number above 0"),
        ("vintage,index\n2025,nan\n", r"index is 'nan'"),
        ("vintage,yield_t_ha\n20,14\n", r"vintage is '20'; a number above 1900"),
        ("vintage,index\n2025,90\n2025,91\n", r"Vintage 2025 is there twice"),
    ],
)
def test_what_cannot_be_used_is_refused(tmp_path, text, message):
    with pytest.raises(DataError, match=message):
        read_reference(written(tmp_path, text))


def test_row_is_named(tmp_path):
    with pytest.raises(DataError, match=r"reference.csv, row 3"):
        read_reference(written(tmp_path, "vintage,index\n2025,90\n2026,-4\n"))


def test_estate_finds_it_or_does_without(tmp_path):
    create_estate(tmp_path / "E")
    assert open_store(tmp_path / "E").reference().empty
    written(tmp_path / "E", "vintage,index\n2025,90\n2026,100\n")
    assert open_store(tmp_path / "E").reference()["index"].tolist() == [90.0, 100.0]


def test_a_file_named_in_the_settings_must_be_there(tmp_path):
    create_estate(tmp_path / "E")
    file = tmp_path / "E" / "estate.toml"
    text = file.read_text(encoding="utf-8")
    assert 'reference_file = ""' in text
    file.write_text(text.replace('reference_file = ""', 'reference_file = "d.csv"'), encoding="utf-8")
    with pytest.raises(DataError, match=r"cannot be read.*d\.csv"):
        open_store(tmp_path / "E").reference()
