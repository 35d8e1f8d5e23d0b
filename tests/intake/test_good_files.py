"""Differently shaped files, all invented, that must read right without any help.

Every case writes the same three readings (or blocks, loads, ...) in another shape and is checked against
the same values. Positions lie on an invented inland plain; unit factors are those of NIST Handbook 44,
appendix C (exact), written out here as numbers: 1 lb = 0.45359237 kg, 1 mile = 1609.344 m, 1 ft = 0.3048 m.
"""

from __future__ import annotations

import gzip
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.errors import IntakeError
from vinemap.intake import preview_source, read_frame, read_source

LATITUDE = np.array([-34.2001234, -34.2002234, -34.2003234])
LONGITUDE = np.array([140.5001234, 140.5001244, 140.5001254])
SPEED_M_S = np.array([1.25, 1.50, 1.00])
FLOW_KG_S = np.array([4.5, 2.25, 9.0])
TIMES = pd.to_datetime(["2024-02-27 22:00:05", "2024-02-27 22:00:06", "2024-02-27 22:00:07"], utc=True)


def lines(header: str, form: str, *, sep: str = "\n", decimal: str = ".") -> str:
    """Write the three readings with a format string; k = km/h, h = t/h, p = lb/s, e = epoch seconds."""
    out = [header] if header else []
    for place in range(3):
        values = {
            "lat": f"{LATITUDE[place]:.7f}",
            "lon": f"{LONGITUDE[place]:.7f}",
            "v": f"{SPEED_M_S[place]:.4f}",
            "k": f"{SPEED_M_S[place] * 3.6:.4f}",
            "mph": f"{SPEED_M_S[place] * 3600 / 1609.344:.6f}",
            "q": f"{FLOW_KG_S[place]:.4f}",
            "h": f"{FLOW_KG_S[place] * 3.6:.4f}",
            "p": f"{FLOW_KG_S[place] / 0.45359237:.6f}",
            "slat": f"{-LATITUDE[place]:.7f} S",
            "slon": f"{LONGITUDE[place]:.7f} E",
            "e": str(int(TIMES[place].timestamp())),
            "ms": str(int(TIMES[place].timestamp() * 1000)),
            "serial": f"{(TIMES[place] - pd.Timestamp('1899-12-30', tz='UTC')) / pd.Timedelta(days=1):.9f}",
        }
        if decimal == ",":
            values = {key: text.replace(".", ",") for key, text in values.items()}
        stamps = {
            "iso": TIMES[place].strftime("%Y-%m-%dT%H:%M:%SZ"),
            "dmy": TIMES[place].strftime("%d/%m/%Y"),
            "mdy": TIMES[place].strftime("%m/%d/%Y"),
            "dot": TIMES[place].strftime("%d.%m.%Y"),
            "clock": TIMES[place].strftime("%H:%M:%S"),
            "points": TIMES[place].strftime("%H.%M.%S"),
            "named": TIMES[place].strftime("%d-%b-%Y %H:%M:%S"),
            "weekday": TIMES[place].strftime("%a %d %b %Y %H:%M:%S"),
            "ampm": TIMES[place].strftime("%I:%M:%S %p"),
            "plain": TIMES[place].strftime("%Y-%m-%d %H:%M:%S"),
            "local": TIMES[place].tz_convert("Australia/Adelaide").strftime("%Y-%m-%d %H:%M:%S"),
            "offset": TIMES[place].tz_convert("Australia/Adelaide").isoformat(),
        }
        out.append(form.format(**values, **stamps))
    return sep.join(out) + sep


# name: (file name, bytes, arguments)
HARVEST = {
    "English, units in brackets": (
        "a.csv",
        lines(
            "Time (UTC),Latitude,Longitude,Speed (km/h),Mass flow (kg/s),Machine",
            "{iso},{lat},{lon},{k},{q},H1",
        ),
    ),
    "our own column names": (
        "a.csv",
        lines("time,latitude,longitude,speed_m_s,mass_flow_kg_s,machine", "{iso},{lat},{lon},{v},{q},H1"),
    ),
    "Spanish, semicolon, decimal comma, cp1252": (
        "a.txt",
        lines(
            "Fecha y hora;Latitud;Longitud;Velocidad (km/h);Caudal másico (kg/s);Máquina",
            "{plain};{lat};{lon};{k};{q};H1",
            decimal=",",
        ).encode("cp1252"),
    ),
    "French, separate date and time": (
        "a.csv",
        lines(
            "Date;Heure;Latitude;Longitude;Vitesse (km/h);Débit massique (t/h);Machine",
            "{dmy};{clock};{lat};{lon};{k};{h};H1",
            decimal=",",
        ),
    ),
    "Italian, tab, UTF-16": (
        "a.txt",
        lines(
            "Data e ora\tLatitudine\tLongitudine\tVelocità (km/h)\tPortata (kg/s)\tMacchina",
            "{dmy} {clock}\t{lat}\t{lon}\t{k}\t{q}\tH1",
            decimal=",",
        ).encode("utf-16"),
    ),
    "German, Breite and Länge, BOM, Windows line ends": (
        "a.csv",
        lines(
            "Datum;Uhrzeit;Breite [°];Länge [°];Geschwindigkeit [km/h];Durchsatz [t/h];Vollernter",
            "{dot};{clock};{lat};{lon};{k};{h};H1",
            sep="\r\n",
            decimal=",",
        ).encode("utf-8-sig"),
    ),
    "Portuguese": (
        "a.csv",
        lines(
            "Data hora;Latitude;Longitude;Velocidade (km/h);Fluxo de massa (kg/s);Vindimadora",
            "{dmy} {clock};{lat};{lon};{k};{q};H1",
        ),
    ),
    "US customary, month first, AM/PM": (
        "a.csv",
        lines(
            "Timestamp,Lat,Lon,Ground Speed (mph),Flow (lb/s),Vehicle",
            "{mdy} {ampm},{lat},{lon},{mph},{p},H1",
        ),
    ),
    "rows above the header": (
        "a.csv",
        "Log of harvester H1\nSerial 123\n\n"
        + lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{iso},{lat},{lon},{v},{q},H1"),
    ),
    "units in a second row": (
        "a.csv",
        lines("Time,Lat,Lon,Speed,Flow,Machine\n,deg,deg,km/h,t/h,", "{iso},{lat},{lon},{k},{h},H1"),
    ),
    "epoch seconds": (
        "a.csv",
        lines("epoch,lat,lng,speed_kmh,mass_flow_kg_s,machine", "{e},{lat},{lon},{k},{q},H1"),
    ),
    "epoch milliseconds": (
        "a.csv",
        lines("timestamp,lat,lng,speed_kph,mass_flow_t_h,machine", "{ms},{lat},{lon},{k},{h},H1"),
    ),
    "days of a spreadsheet": (
        "a.csv",
        lines(
            "DateTime;Lat;Lon;Speed (m/s);Flow (kg/s);Machine", "{serial};{lat};{lon};{v};{q};H1", decimal=","
        ),
    ),
    "offset in the time": (
        "a.csv",
        lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{offset},{lat},{lon},{v},{q},H1"),
    ),
    "local time with a zone": (
        "a.csv",
        lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{local},{lat},{lon},{v},{q},H1"),
        {"timezone": "Australia/Adelaide"},
    ),
    "offset in the header": (
        "a.csv",
        lines(
            "Local time (UTC+10:30),Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{local},{lat},{lon},{v},{q},H1"
        ),
    ),
    "blanks between": (
        "a.dat",
        lines("time   lat   lon   speed_m_s   mass_flow_kg_s  machine", "{iso}  {lat} {lon}   {v}  {q} H1"),
    ),
    "hemisphere letters": (
        "a.csv",
        lines("Time;Lat;Long;Speed (m/s);Flow (kg/s);Machine", "{iso};{slat};{slon};{v};{q};H1"),
    ),
    "blank lines and a delimiter at the end": (
        "a.csv",
        lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{iso},{lat},{lon},{v},{q},H1,\n"),
    ),
    "quoted cells": (
        "a.csv",
        lines(
            '"Time","Lat","Lon","Speed (m/s)","Flow (kg/s)","Machine"',
            '"{iso}","{lat}","{lon}","{v}","{q}","H1"',
        ),
    ),
    "gzip": (
        "a.csv.gz",
        gzip.compress(
            lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{iso},{lat},{lon},{v},{q},H1").encode()
        ),
    ),
    "no units at all, told by the values": (
        "a.csv",
        lines("Time,Lat,Lon,Speed,Flow,Machine", "{iso},{lat},{lon},{k},{q},H1"),
    ),
    "headers that say nothing": (
        "a.csv",
        lines("a,b,c,Speed (m/s),Flow (kg/s),Machine", "{plain},{lat},{lon},{v},{q},H1"),
    ),
    "machine named by the user": (
        "a.csv",
        lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s)", "{iso},{lat},{lon},{v},{q}"),
        {"columns": {"machine": "=H1"}},
    ),
    "old line ends": (
        "a.csv",
        lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{iso},{lat},{lon},{v},{q},H1", sep="\r"),
    ),
    "clock with points": (
        "a.csv",
        lines(
            "Data;Ora;Lat;Long;Velocità km/h;Portata (kg/s);Macchina", "{dmy};{points};{lat};{lon};{k};{q};H1"
        ),
    ),
    "short names of a telemetry box, epoch milliseconds": (
        "a.csv",
        lines("ts,gps_lat,gps_lng,spd,massflow,veh", "{ms},{lat},{lon},{v},{q},H1"),
        {"units": {"mass_flow_kg_s": "kg/s"}},
    ),
    "month by its name": (
        "a.csv",
        lines("Logged,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{named},{lat},{lon},{v},{q},H1"),
    ),
    "day of the week before the date": (
        "a.csv",
        lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{weekday},{lat},{lon},{v},{q},H1"),
    ),
    "German abbreviations, preamble and units row, cp1252": (
        "a.csv",
        (
            "Ernteprotokoll;;;;;\nMaschine 4711;;;;;\n\n"
            + lines(
                "Datum;Uhrzeit;Breitengrad;Längengrad;Geschw.;Durchsatz\n;;°;°;km/h;t/h",
                "{dot};{clock};{lat};{lon};{k};{h}",
                decimal=",",
            )
        ).encode("cp1252"),
        {"columns": {"machine": "=H1"}},
    ),
    "day named by the user": (
        "a.csv",
        lines("GPS Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{clock},{lat},{lon},{v},{q},H1"),
        {"columns": {"date": "=2024-02-27"}},
    ),
    "bars": (
        "a.txt",
        lines("Time|Lat|Lon|Speed (m/s)|Flow (kg/s)|Machine", "{iso}|{lat}|{lon}|{v}|{q}|H1"),
    ),
}


def check_readings(table: gpd.GeoDataFrame) -> None:
    assert len(table) == 3
    assert table.crs.to_epsg() == 4326
    np.testing.assert_allclose(table.geometry.y, LATITUDE, atol=1e-9)
    np.testing.assert_allclose(table.geometry.x, LONGITUDE, atol=1e-9)
    np.testing.assert_allclose(table["speed_m_s"], SPEED_M_S, rtol=1e-5)
    np.testing.assert_allclose(table["mass_flow_kg_s"], FLOW_KG_S, rtol=1e-5)
    assert (np.abs(table["time"] - pd.Series(TIMES)) < pd.Timedelta("1ms")).all()
    assert str(table["time"].dtype) == "datetime64[ns, UTC]"
    assert table["machine"].tolist() == ["H1"] * 3
    assert table["vintage"].tolist() == [2024] * 3


@pytest.mark.parametrize("case", HARVEST.values(), ids=HARVEST.keys())
def test_text_log_reads_right(tmp_path, case):
    """The same three readings out of every shape of text log."""
    name, content, *rest = case
    file = tmp_path / name
    file.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    taken = read_source(file, "harvest", **(rest[0] if rest else {}))
    check_readings(taken.table)
    assert len(taken.refused) == 0
    assert taken.rows_read == 3


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", " "])
def test_every_delimiter_with_every_decimal_mark_and_encoding(tmp_path, delimiter, decimal, encoding):
    """Cells that hold the delimiter are quoted, as RFC 4180 has it."""
    header = ["Zeit", "Breitengrad", "Längengrad", "Geschwindigkeit(km/h)", "Durchsatz(t/h)"]
    read = [(-34.2001, 140.5001, 3.6, 7.2), (-34.2002, 140.5002, 7.2, 3.6), (-34.2003, 140.5003, 3.6, 36.0)]
    text = [delimiter.join(header)]
    for place, values in enumerate(read):
        cells = [str(one).replace(".", decimal) for one in values]
        cells = [f'"{one}"' if delimiter in one else one for one in cells]
        text.append(delimiter.join([f"2024-03-01T08:00:0{place}Z", *cells]))
    (tmp_path / "a.csv").write_bytes("\r\n".join([*text, ""]).encode(encoding))
    table = read_source(tmp_path / "a.csv", "harvest").tidy
    assert table["latitude"].tolist() == [-34.2001, -34.2002, -34.2003]
    assert table["longitude"].tolist() == [140.5001, 140.5002, 140.5003]
    assert table["speed_m_s"].tolist() == pytest.approx([1.0, 2.0, 1.0])
    assert table["mass_flow_kg_s"].tolist() == pytest.approx([2.0, 1.0, 10.0])


def layer(crs: object = 4326) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        {
            "logtime": TIMES.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "speed_kmh": SPEED_M_S * 3.6,
            "flow_kg_s": FLOW_KG_S,
            "machine": ["H1"] * 3,
        },
        geometry=gpd.points_from_xy(LONGITUDE, LATITUDE),
        crs=4326,
    )
    return frame.to_crs(crs).rename(columns={"logtime": "timestamp"})


def test_readings_from_geopackage_in_another_crs(tmp_path):
    layer(28354).to_file(tmp_path / "log.gpkg")
    check_readings_near(read_source(tmp_path / "log.gpkg", "harvest").table)


def check_readings_near(table: gpd.GeoDataFrame) -> None:
    np.testing.assert_allclose(table.geometry.y, LATITUDE, atol=2e-8)
    np.testing.assert_allclose(table.geometry.x, LONGITUDE, atol=2e-8)
    np.testing.assert_allclose(table["speed_m_s"], SPEED_M_S, rtol=1e-5)


def test_readings_from_shapefile_and_its_zip(tmp_path):
    """A shapefile cuts column names to ten characters and needs its parts."""
    frame = layer().rename(columns={"flow_kg_s": "mass_flow_kg_s"})
    with pytest.warns((UserWarning, RuntimeWarning), match="10 char|Normalized"):
        frame.to_file(tmp_path / "log.shp")
    plain = read_source(tmp_path / "log.shp", "harvest")
    check_readings_near(plain.table)
    np.testing.assert_allclose(plain.table["mass_flow_kg_s"], FLOW_KG_S)
    with zipfile.ZipFile(tmp_path / "log.zip", "w") as archive:
        for part in tmp_path.glob("log.*"):
            if part.suffix != ".zip":
                archive.write(part, f"export/{part.name}")
    check_readings_near(read_source(tmp_path / "log.zip", "harvest").table)


def test_shapefile_without_prj_needs_and_takes_crs(tmp_path):
    layer(28354).to_file(tmp_path / "log.shp")
    (tmp_path / "log.prj").unlink()
    check_readings_near(read_source(tmp_path / "log.shp", "harvest", crs=28354).table)


def test_readings_from_geojson_geoparquet_and_frame(tmp_path):
    layer().to_file(tmp_path / "log.geojson")
    check_readings(read_source(tmp_path / "log.geojson", "harvest").table)
    layer(28354).to_parquet(tmp_path / "log.parquet")
    check_readings_near(read_source(tmp_path / "log.parquet", "harvest").table)
    check_readings(read_frame(layer(), "harvest").table)


def test_csv_in_zip_and_plain_parquet(tmp_path):
    text = lines("Time,Lat,Lon,Speed (m/s),Flow (kg/s),Machine", "{iso},{lat},{lon},{v},{q},H1")
    with zipfile.ZipFile(tmp_path / "log.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.csv", text)
    check_readings(read_source(tmp_path / "log.zip", "harvest").table)
    frame = pd.DataFrame(
        {
            "time": TIMES,
            "lat": LATITUDE,
            "lon": LONGITUDE,
            "speed_m_s": SPEED_M_S,
            "mass_flow_kg_s": FLOW_KG_S,
            "machine": "H1",
        }
    )
    frame.to_parquet(tmp_path / "log.parquet")
    check_readings(read_source(tmp_path / "log.parquet", "harvest").table)


def test_eastings_and_northings_with_crs(tmp_path):
    points = layer(28354)
    frame = pd.DataFrame(
        {
            "Time": TIMES.astype(str),
            "Easting": points.geometry.x,
            "Northing": points.geometry.y,
            "Speed (m/s)": SPEED_M_S,
            "Flow (kg/s)": FLOW_KG_S,
        }
    )
    frame.to_csv(tmp_path / "log.csv", index=False)
    check_readings_near(read_source(tmp_path / "log.csv", "harvest", crs=28354).table)
    frame.rename(columns={"Easting": "X", "Northing": "Y"}).to_csv(tmp_path / "xy.csv", index=False)
    check_readings_near(read_source(tmp_path / "xy.csv", "harvest", crs="EPSG:28354").table)


@pytest.mark.parametrize(
    ("header", "unit", "written", "t_ha"),
    [
        # 1 short ton/acre = 2.2417023 t/ha [C], handbook 8.
        ("Yield (tons/ac)", "short_ton/acre", [4.0, 5.0, 6.0], 2.2417023),
        ("Rendimiento (kg/ha)", "kg/ha", [8000.0, 9000.0, 9500.0], 0.001),
        ("Ertrag [t/ha]", "t/ha", [8.0, 9.0, 9.5], 1.0),
        ("Rendement (q/ha)", "q/ha", [80.0, 90.0, 95.0], 0.1),
        ("yield_t_ha", "t/ha", [8.0, 9.0, 9.5], 1.0),
    ],
)
def test_ready_yield_in_its_unit(tmp_path, header, unit, written, t_ha):
    frame = pd.DataFrame({"time": TIMES.astype(str), "lat": LATITUDE, "lon": LONGITUDE, header: written})
    frame.to_csv(tmp_path / "y.csv", index=False)
    taken = read_source(tmp_path / "y.csv", "harvest")
    np.testing.assert_allclose(taken.table["yield_t_ha"], np.array(written) * t_ha, rtol=1e-7)
    assert next(one.unit for one in taken.guesses if one.field == "yield_t_ha") == unit


def test_accumulated_mass_is_differenced_and_its_reset_seen(tmp_path):
    frame = pd.DataFrame(
        {
            "time": TIMES.astype(str),
            "lat": LATITUDE,
            "lon": LONGITUDE,
            "Accumulated mass (kg)": [100.0, 104.5, 2.0],
        }
    )
    frame.to_csv(tmp_path / "m.csv", index=False)
    taken = read_source(tmp_path / "m.csv", "harvest")
    assert taken.table["mass_kg"].tolist() == [4.5, 2.0]
    assert taken.refused["source_row"].tolist() == [2]  # nothing came before the first


def squares() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "block": ["A1", "A2"],
            "Variety": ["Shiraz", "Merlot"],
            "Year planted": [1998, 2004],
            "Row spacing (ft)": [10.0, 11.0],
            "Vine spacing (ft)": [7.0, 5.0],
        },
        geometry=[
            shapely.box(140.5, -34.21, 140.503, -34.208),
            shapely.box(140.504, -34.21, 140.507, -34.208),
        ],
        crs=4326,
    )


@pytest.mark.parametrize("name", ["b.gpkg", "b.geojson", "b.parquet", "b.shp"])
def test_blocks_from_layers(tmp_path, name):
    """Row and vine spacing in feet become metres: 1 ft = 0.3048 m."""
    frame = squares().rename(
        columns={
            "Row spacing (ft)": "row_spacin",
            "Vine spacing (ft)": "vine_spaci",
            "Year planted": "year_plant",
        }
    )
    frame.to_parquet(tmp_path / name) if name.endswith("parquet") else frame.to_file(tmp_path / name)
    table = read_source(tmp_path / name, "blocks").table
    assert table["block_id"].tolist() == ["A1", "A2"]
    np.testing.assert_allclose(table["row_spacing_m"], [3.048, 3.3528])
    np.testing.assert_allclose(table["vine_spacing_m"], [2.1336, 1.524])
    assert table["year_planted"].tolist() == [1998, 2004]
    assert str(table["year_planted"].dtype) == "Int64"
    assert table.crs.to_epsg() == 4326


def test_blocks_from_kml(tmp_path):
    ring = "140.5,-34.21 140.503,-34.21 140.503,-34.208 140.5,-34.208 140.5,-34.21"
    (tmp_path / "b.kml").write_text(
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        "<Placemark><name>A1</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
        f"{ring}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>",
        encoding="utf-8",
    )
    taken = read_source(tmp_path / "b.kml", "blocks")
    assert taken.table["block_id"].tolist() == ["A1"]
    assert any("No row spacing for block A1" in note for note in taken.notes)


def test_rows_have_their_ground_length(tmp_path):
    """One arc minute of latitude near 34 S on WGS84 is 1848.6 m (GRS80 tables, from memory)."""
    frame = gpd.GeoDataFrame(
        {"block": ["A1", "A1"], "row": ["R1", "R02"]},
        geometry=[
            shapely.LineString([(140.5, -34.0), (140.5, -34.0 - 1 / 60)]),
            shapely.LineString([(140.51, -34.0), (140.51, -34.0 - 1 / 60)]),
        ],
        crs=4326,
    )
    frame.to_file(tmp_path / "r.gpkg")
    table = read_source(tmp_path / "r.gpkg", "rows").table
    assert table["row_no"].tolist() == [1, 2]
    assert table["row_id"].tolist() == ["A1-1", "A1-2"]
    np.testing.assert_allclose(table["length_m"], 1848.6, atol=0.3)


@pytest.mark.parametrize(
    ("text", "net"),
    [
        ("Ticket,Vintage,Block,Gross (kg),Tare (kg),Net (kg)\n1,2024,A1,20000,8000,12000\n", 12000.0),
        ("Docket,Date,Block,Gross (kg),Tare (kg)\n1,2024-03-01,A1,20000,8000\n", 12000.0),
        ("Bon;Millésime;Parcelle;Poids net (t)\n1;2024;A1;12,5\n", 12500.0),
        ("Wiegeschein;Jahrgang;Parzelle;Netto [kg]\n1;2024;A1;12.500\n2;2024;A1;9.250\n", 12500.0),
        ('Load,Vintage,Block,Net weight (lb)\n1,2024,A1,"22,046"\n', 22046 * 0.45359237),
        ("Carga;Vendimia;Cuartel;Peso neto (kg)\n1;2024;A1;12000\n", 12000.0),
        ("Bolla;Annata;Appezzamento;Peso netto (q)\n1;2024;A1;120\n", 12000.0),
        ("Load,Vintage,Block,Tons\n1,2024,A1,12.5\n", 12.5 * 907.18474),
    ],
)
def test_loads(tmp_path, text, net):
    """Short ton 907.18474 kg, quintal 100 kg, pound 0.45359237 kg (NIST Handbook 44, appendix C)."""
    (tmp_path / "l.csv").write_text(text, encoding="utf-8")
    table = read_source(tmp_path / "l.csv", "loads").table
    assert table["net_kg"].iloc[0] == pytest.approx(net)
    assert table["vintage"].iloc[0] == 2024
    assert table["block_id"].iloc[0] == "A1"


def test_load_of_several_blocks(tmp_path):
    (tmp_path / "l.csv").write_text(
        "Ticket,Vintage,Block,Net (kg)\n007,2024,A1 + A2,12000\n", encoding="utf-8"
    )
    table = read_source(tmp_path / "l.csv", "loads").table
    assert table["block_id"].tolist() == ["A1;A2"]
    assert table["load_id"].tolist() == ["007"]


@pytest.mark.parametrize(
    "text",
    [
        "vintage,block_id,row_no,from_vine,to_vine,missing,symptomatic\n2024,A1,3,1,50,4,10\n",
        "Saison;Parcelle;Rang;Du cep;Au cep;Manquants;Avec symptômes\n2024;A1;3;1;50;4;10\n",
        "Jahrgang;Parzelle;Reihe;von Stock;bis Stock;Fehlstellen;mit Symptomen\n2024;A1;3;1;50;4;10\n",
        "Temporada;Cuartel;Hilera;Desde cepa;Hasta cepa;Faltantes;Con síntomas\n2024;A1;3;1;50;4;10\n",
        "Annata;Vigneto;Filare;Da vite;A vite;Mancanti;Con sintomi\n2024;A1;3;1;50;4;10\n",
        "Safra;Talhão;Linha;Da videira;Até videira;Falhas;Com sintomas\n2024;A1;3;1;50;4;10\n",
    ],
    ids=["en", "fr", "de", "es", "it", "pt"],
)
def test_counts_in_every_language(tmp_path, text):
    (tmp_path / "c.csv").write_text(text, encoding="utf-8")
    row = read_source(tmp_path / "c.csv", "counts").table.iloc[0]
    assert (row["row_no"], row["from_vine"], row["to_vine"], row["vines"]) == (3, 1, 50, 50)
    assert (row["missing"], row["symptomatic"]) == (4, 10)


def test_renewals_with_methods_in_words(tmp_path):
    (tmp_path / "r.csv").write_text(
        "Block,From row,To row,Method,Year,Cost\nA1,1,20,Trunk renewal,2020,15000\nA2,,,Replanting,2021,\n",
        encoding="utf-8",
    )
    table = read_source(tmp_path / "r.csv", "renewals").table
    assert table["method"].tolist() == ["trunk_renewal", "replant"]
    assert table["from_row"].tolist() == [1, pd.NA]
    assert table["cost"].iloc[0] == 15000.0


def test_formulas_and_markup_are_kept_as_text(tmp_path):
    """Names are data: nothing in them is run here; whoever writes them out neutralises them."""
    name = '=HYPERLINK("http://x")<script>'
    frame = pd.DataFrame({"Ticket": ["1"], "Vintage": [2024], "Block": [name], "Net (kg)": [9000]})
    frame.to_csv(tmp_path / "l.csv", index=False)
    assert read_source(tmp_path / "l.csv", "loads").table["block_id"].tolist() == [name]


def test_last_row_of_a_tab_file_may_end_in_empty_cells(tmp_path):
    """Empty cells at the end of the file are cells, not blanks to cut off."""
    header = "Ticket\tDate\tBlock\tNet (kg)\tMOG %\tBrix\n"
    text = header + "1\t2026-03-01\tA1\t9000\t2\t24\n2\t2026-03-01\tA1\t8000\t\t\n\n \n"
    (tmp_path / "t.tsv").write_text(text, encoding="utf-8")
    assert read_source(tmp_path / "t.tsv", "loads").table["net_kg"].tolist() == [9000.0, 8000.0]


@pytest.mark.parametrize(("order", "month"), [("day_first", 4), ("month_first", 3)])
def test_order_of_day_and_month_can_be_said_and_is_remembered(tmp_path, order, month):
    """03/04/2026 alone does not tell; what was said holds for the next file of the same columns."""
    text = "Ticket,Date,Block,Net (kg)\n1,03/04/2026,A1,9000\n2,04/03/2026,A1,9000\n"
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    assert any("--unit time=" in one for one in read_source(tmp_path / "a.csv", "loads").notes)
    taken = read_source(tmp_path / "a.csv", "loads", units={"time": order})
    assert taken.table["time"].dt.month.tolist() == [month, 7 - month]
    assert not any("Doubtful: dates" in one for one in taken.notes)
    again = read_source(tmp_path / "a.csv", "loads", remembered=[taken.details["remember"]])
    assert again.table["time"].dt.month.tolist() == [month, 7 - month]
    assert any(order in one for one in again.notes)
    with pytest.raises(IntakeError, match=r"'backwards' is no way to write \w+.*day_first or month"):
        read_source(tmp_path / "a.csv", "loads", units={"time": "backwards"})


@pytest.mark.parametrize("header", ["block_id", "Block", "Parcelle"])
def test_column_of_the_name_goes_before_the_number_of_the_feature(tmp_path, header):
    frame = gpd.GeoDataFrame(
        {"id": [1], header: ["A1"]}, geometry=[shapely.box(140.5, -34.21, 140.503, -34.208)], crs=4326
    )
    frame.to_file(tmp_path / "b.geojson")
    assert read_source(tmp_path / "b.geojson", "blocks").table["block_id"].tolist() == ["A1"]
    assert {one.header for one in preview_source(tmp_path / "b.geojson").guesses} >= {header}


def test_cost_with_a_currency_and_groups_of_three(tmp_path):
    text = "Bloc;Travaux;Année;Coût\nA1;Récépage;2024;€ 12 500\nA2;Récépage;2025;AUD 9 000\n"
    (tmp_path / "r.csv").write_text(text, encoding="utf-8")
    assert read_source(tmp_path / "r.csv", "renewals").table["cost"].tolist() == [12500.0, 9000.0]


def test_placemarks_are_blocks_by_their_names(tmp_path):
    """KML 2.2 (OGC 12-007r2, 9.1.3): a placemark's name is what people see."""
    frame = gpd.GeoDataFrame(
        {"Name": ["Hill"]}, geometry=[shapely.box(140.5, -34.21, 140.503, -34.208)], crs=4326
    )
    frame.to_file(tmp_path / "b.kml", driver="KML")
    assert read_source(tmp_path / "b.kml", "blocks").table["block_id"].tolist() == ["Hill"]
