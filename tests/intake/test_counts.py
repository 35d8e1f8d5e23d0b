"""Row counts however they were written down: by row, stretch, panel or vine, in words or numbers."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.intake import read_source


def counts(folder, text: str):
    (folder / "c.csv").write_text(text, encoding="utf-8")
    return read_source(folder / "c.csv", "counts")


# name: (file, what must stand in the table).
SHAPES = {
    "whole rows": (
        "vintage,block,row,vines,missing\n2024,A1,1,50,4\n2024,A1,2,48,0\n",
        {"vines": [50, 48], "missing": [4, 0]},
    ),
    "panels of one size, some left out": (
        "vintage,block,row,panel,vines,missing\n2024,A1,1,2,5,1\n2024,A1,1,7,5,0\n",
        {"from_vine": [6, 31], "to_vine": [10, 35], "missing": [1, 0]},
    ),
    "panels of several sizes, all of them": (
        "Jahr;Block;Zeile;Stickelfeld;Stöcke;Fehlstellen\n2024;A1;1;1;4;0\n2024;A1;1;2;6;1\n2024;A1;1;3;5;2\n",
        {"from_vine": [1, 5, 11], "to_vine": [4, 10, 15], "missing": [0, 1, 2]},
    ),
    "vine by vine in words": (
        "Año;Cuartel;Hilera;Cepa;Estado\n2024;A1;1;1;sana\n2024;A1;1;2;Faltante\n2024;A1;1;3;brazo muerto\n"
        "2024;A1;1;4;replantada\n2024;A1;1;5;con síntomas\n2024;A1;1;6;\n",
        {
            "from_vine": [1, 2, 3, 4, 5, 6],
            "vines": [1] * 6,
            "missing": [0, 1, 0, 0, 0, 0],
            "dead_arm": [0, 0, 1, 0, 0, 0],
            "replanted": [0, 0, 0, 1, 0, 0],
            "symptomatic": [0, 0, 0, 0, 1, 0],
        },
    ),
    "French, vine by vine": (
        "Millésime;Parcelle;Rang;Cep;État\n2024;A1;1;1;manquant\n2024;A1;1;2;bras mort\n",
        {"missing": [1, 0], "dead_arm": [0, 1]},
    ),
    "Italian": (
        "Annata;Vigneto;Filare;Vite;Stato\n2024;A1;1;1;mancante\n2024;A1;1;2;rimpiazzo\n",
        {"missing": [1, 0], "replanted": [0, 1]},
    ),
    "German": (
        "Jahrgang;Parzelle;Zeile;Stock;Zustand\n2024;A1;1;1;fehlt\n2024;A1;1;2;toter Arm\n",
        {"missing": [1, 0], "dead_arm": [0, 1]},
    ),
    "Portuguese": (
        "Safra;Talhão;Linha;Videira;Estado\n2024;A1;1;1;falha\n2024;A1;1;2;com sintomas\n",
        {"missing": [1, 0], "symptomatic": [0, 1]},
    ),
    "picked mass": (
        "vintage,block,row,from vine,to vine,picked (kg)\n2024,A1,1,1,5,21.5\n",
        {"picked_kg": [21.5], "vines": [5]},
    ),
    "picked mass in pounds": (
        "vintage,block,row,vines,picked (lb)\n2024,A1,1,5,100\n",
        {"picked_kg": [45.359237]},
    ),
    # 120 bunches of 150 g are 18 kg.
    "bunches and their mass": (
        "vintage,block,row,from vine,to vine,clusters,cluster weight (g)\n2024,A1,1,1,5,120,150\n",
        {"picked_kg": [18.0]},
    ),
    "bunches and their mass, no unit": (
        "vintage,block,row,from vine,to vine,bunches,bunch weight\n2024,A1,1,1,5,120,150\n",
        {"picked_kg": [18.0]},
    ),
    "prunings and cordon width": (
        "vintage,block,row,vines,pruning weight (kg),cordon width (cm)\n2024,A1,1,10,5.5,45\n",
        {"pruning_kg": [5.5], "box_width_m": [0.45]},
    ),
}


# 45 cm in the languages and units of the trade; a foot is 0.3048 m, an inch 0.0254 m (NIST Handbook 44, C).
WIDTHS = [
    ("vintage,block,row,Box width (m)\n2024,A1,1,0.45\n", 0.45),
    ("vintage,block,row,box_width_m\n2024,A1,1,0.45\n", 0.45),
    ("season,paddock,row,Pruning width (in)\n2024,A1,1,18\n", 0.4572),
    ("vintage,block,row,Hedge width (ft)\n2024,A1,1,1.5\n", 0.4572),
    ("Vendimia;Cuartel;Hilera;Ancho del cordón (cm)\n2024;A1;1;45\n", 0.45),
    ("Millésime;Parcelle;Rang;Largeur du cordon (m)\n2024;A1;1;0,45\n", 0.45),
    ("Annata;Vigneto;Filare;Larghezza cordone (cm)\n2024;A1;1;45\n", 0.45),
    ("Jahrgang;Parzelle;Zeile;Kordonbreite (cm)\n2024;A1;1;45\n", 0.45),
    ("Safra;Talhão;Linha;Largura da sebe (cm)\n2024;A1;1;45\n", 0.45),
]


@pytest.mark.parametrize(("text", "width_m"), WIDTHS)
def test_width_after_pruning_stands_for_itself(tmp_path, text, width_m):
    taken = counts(tmp_path, text)
    assert taken.table["box_width_m"].tolist() == pytest.approx([width_m])
    assert taken.table["missing"].isna().all()
    assert not any("Doubtful" in note for note in taken.notes)


def test_a_width_without_a_unit_is_told_to_be_doubtful_where_it_is(tmp_path):
    """45 can be centimetres or inches; 0.45 can only be metres."""
    sure = counts(tmp_path, "vintage,block,row,box width\n2024,A1,1,0.45\n")
    assert sure.table["box_width_m"].tolist() == [0.45]
    assert not any("Doubtful" in note for note in sure.notes)
    open_ = counts(tmp_path, "vintage,block,row,box width\n2024,A1,1,45\n")
    assert open_.table["box_width_m"].tolist() == [0.45]
    assert any("box_width_m in cm" in note and "cm or in" in note for note in open_.notes)


@pytest.mark.parametrize("case", SHAPES.values(), ids=SHAPES.keys())
def test_count_of_this_shape(tmp_path, case):
    text, expected = case
    taken = counts(tmp_path, text)
    assert len(taken.refused) == 0
    for name, values in expected.items():
        np.testing.assert_allclose(taken.table[name].astype("float64"), values, err_msg=name)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2024,A1,1,3,,0,", "panel without its number of vines"),
        ("2024,A1,1,3,7,0,", "panels of several sizes with some left out"),
        ("2024,A1,2,1,5,9,", "missing is more than the vines"),
        ("2024,A1,2,1,5,,dead", "status speaks of one vine but the stretch has several"),
        ("2024,A1,2,1,1,,odd", "status is none of healthy, missing, symptomatic"),
    ],
)
def test_bad_count_is_refused(tmp_path, text, reason):
    head = "vintage,block,row,panel,vines,missing,status\n2024,A1,1,1,5,1,\n2024,A1,9,1,5,1,\n"
    taken = counts(tmp_path, f"{head}{text}\n")
    assert any(one.startswith(reason) for one in taken.refused["reason"])
    assert 9 in taken.table["row_no"].tolist()


def test_what_an_estimate_is_made_of_is_told(tmp_path):
    taken = counts(tmp_path, "vintage,block,row,vines,bunches\n2024,A1,1,5,120\n")
    assert any("no bunch mass is given" in note for note in taken.notes)
    assert taken.table["picked_kg"].isna().all()
    told = counts(
        tmp_path, "vintage,block,row,vines,bunches,bunch weight (g),picked (kg)\n2024,A1,1,5,120,150,20\n"
    )
    assert told.table["picked_kg"].tolist() == [20.0]
