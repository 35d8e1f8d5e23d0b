"""Weighed loads as weighbridges and wineries write them, in six languages, metric and US customary."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.intake import read_source

ROW = "77;01/03/2024;A1;H1;20000;8000;12000;2,5;24,1\n78;29/03/2024;A2;H1;18500;8000;10500;3;23\n"
LANGUAGES = {
    "English": "Ticket;Date;Block;Harvester;Gross (kg);Tare (kg);Net (kg);MOG (%);Brix",
    "Spanish": "Tique;Fecha;Cuartel;Vendimiadora;Bruto (kg);Tara (kg);Neto (kg);Impurezas (%);Grado Brix",
    "French": (
        "Bon de pesée;Date;Parcelle;Vendangeuse;Poids brut (kg);Tare (kg);Poids net (kg);Impuretés (%);"
        "Degré Brix"
    ),
    "Italian": (
        "Bolla;Data;Appezzamento;Vendemmiatrice;Lordo (kg);Tara (kg);Netto (kg);Impurità (%);Gradi Brix"
    ),
    "German": "Wiegeschein;Datum;Parzelle;Vollernter;Brutto (kg);Tara (kg);Netto (kg);Fremdbesatz (%);Brix",
    "Portuguese": (
        "Ticket de balança;Data;Talhão;Vindimadora;Peso bruto (kg);Tara (kg);Peso líquido (kg);Impurezas (%);"
        "Grau Brix"
    ),
}


def loads(folder, text: str, encoding: str = "utf-8", **options):
    (folder / "l.csv").write_bytes(text.encode(encoding))
    return read_source(folder / "l.csv", "loads", **options)


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
@pytest.mark.parametrize("header", LANGUAGES.values(), ids=LANGUAGES.keys())
def test_everything_on_a_ticket_in_every_language(tmp_path, header, encoding):
    taken = loads(tmp_path, f"{header}\n{ROW}", encoding)
    table = taken.table
    assert len(taken.refused) == 0
    assert table["load_id"].tolist() == ["77", "78"]
    assert table["vintage"].tolist() == [2024, 2024]
    assert table["block_id"].tolist() == ["A1", "A2"]
    assert table["machine"].tolist() == ["H1", "H1"]
    assert table["time"].dt.strftime("%Y-%m-%d").tolist() == ["2024-03-01", "2024-03-29"]
    for name, values in {
        "gross_kg": [20000, 18500],
        "tare_kg": [8000, 8000],
        "net_kg": [12000, 10500],
        "mog_pct": [2.5, 3.0],
        "sugar_brix": [24.1, 23.0],
    }.items():
        np.testing.assert_allclose(table[name], values, err_msg=name)
    assert not any(note.startswith("Doubtful") for note in taken.notes)


# 1 short ton = 907.18474 kg, 1 lb = 0.45359237 kg (NIST Handbook 44, appendix C).
US = {
    "short tons": ("Load,Date,Block,Net (short tons)\n1,03/13/2024,A1,12.5\n", 12.5 * 907.18474),
    "pounds with commas": (
        'Load,Date,Block,Gross (lbs),Tare (lbs)\n1,3/13/2024,A1,"52,000","18,000"\n',
        34_000 * 0.45359237,
    ),
    "tons in the header": ("Load,Date,Block,Net Tons\n1,3/13/2024,A1,12.5\n", 12.5 * 907.18474),
    "tons, unit said": ("Load,Date,Block,Net\n1,3/13/2024,A1,12.5\n", 12.5 * 907.18474),
}


@pytest.mark.parametrize("name", US)
def test_us_customary(tmp_path, name):
    text, net = US[name]
    units = {"net_kg": "short_ton"} if name == "tons, unit said" else None
    table = loads(tmp_path, text, units=units).table
    assert table["net_kg"].tolist() == pytest.approx([net])
    assert table["time"].dt.strftime("%Y-%m-%d").tolist() == ["2024-03-13"]


@pytest.mark.parametrize("between", [";", " + ", ", ", " & "])
def test_load_over_several_blocks(tmp_path, between):
    table = loads(tmp_path, f'Ticket,Vintage,Block,Net (kg)\n1,2024,"A1{between}A2{between}B7",9000\n').table
    assert table["block_id"].tolist() == ["A1;A2;B7"]


def test_mog_as_a_share(tmp_path):
    table = loads(tmp_path, "Ticket,Vintage,Block,Net (kg),MOG (fraction)\n1,2024,A1,9000,0.025\n").table
    assert table["mog_pct"].tolist() == pytest.approx([2.5])


def test_sugar_on_another_scale_does_not_cost_the_load(tmp_path):
    taken = loads(tmp_path, "Wiegeschein;Jahrgang;Parzelle;Netto [kg];Zucker\n1;2024;A1;9000;92\n")
    assert taken.table["sugar_brix"].isna().all()
    assert any("Sugar values around 92 cannot be Brix" in note for note in taken.notes)
