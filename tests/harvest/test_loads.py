"""Tickets, shared and vague loads, and blocks weighed alone: sums that can be done by hand."""

import numpy as np
import pandas as pd
import pytest

from vinemap.harvest import block_yields_from_loads
from vinemap.harvest.loads import (
    describe_vague,
    dispute_of,
    group_loads,
    share_out,
    share_vague,
)
from vinemap.harvest.tickets import (
    NOTHING,
    Mass,
    bounded_share,
    count_blocks,
    describe_unused,
    explain_names,
    name_tickets,
    read_tickets,
    split_names,
)


def loads_of(*lines, mog=2.0, vintage=2026, machine=""):
    """Lines of (blocks, tonnes), or with MOG or machine after that."""
    return pd.DataFrame([
        {"load_id": f"T{place}", "vintage": vintage, "block_id": one[0], "net_kg": 1000.0 * one[1],
         "mog_pct": one[2] if len(one) > 2 else mog, "import_id": 1,
         "machine": one[3] if len(one) > 3 else machine}
        for place, one in enumerate(lines)
    ])  # fmt: skip


def grouped(*lines, blocks=("A", "B", "C"), **more):
    return group_loads(loads_of(*lines, **more), vintage=2026, blocks=blocks)


def test_tickets_are_read_with_mog_off_and_blocks_parted():
    one, two, three = read_tickets(
        loads_of(("A; X", 10.0, 2.0), ("B", 6.0, np.nan), ("B", 0.0)), blocks=["A", "B"]
    )
    assert (one.load_id, one.blocks, one.others) == ("T0", ("A",), ("X",))
    assert (one.mass.gross_t, one.mass.grapes_t) == (10.0, pytest.approx(9.8))
    assert (one.weighed, one.whole) == (True, False)
    assert (two.mass.gross_t, two.mass.grapes_t, two.whole) == (6.0, 6.0, True)
    assert np.isnan(two.mog_pct)
    assert (three.mass.gross_t, three.weighed, three.whole) == (10.0, False, False)  # as the heaviest
    none = read_tickets(loads_of(("A", 0.0), ("A", -5.0)), blocks=["A"])
    assert [one.mass.gross_t for one in none] == [0.0, 0.0]
    assert split_names(";B1;;B2 ;B1") == ("B1", "B2")


def test_words_are_in_the_right_number():
    loads = read_tickets(loads_of(*[("A", 1.0)] * 4), blocks=["A"])
    assert name_tickets(loads[:1]) == "ticket T0"
    assert name_tickets(loads[:3]) == "tickets T0, T1, T2"
    assert name_tickets(loads) == "tickets T0, T1, T2 and 1 more"
    assert count_blocks(["A"]) == "block A"
    assert count_blocks(["A", "B", "C"]) == "blocks A, B and C"
    assert explain_names(["X", "Y"], ["B"])[0] == "are not blocks of the estate"
    assert explain_names(["B", "C"], ["B", "C"])[0] == "have no readings that vintage"
    assert explain_names(["B", "X"], ["B"])[0] == "have no readings that vintage (X: not known at all)"
    assert explain_names(["X"], None)[0] == "has no readings that vintage, or is not a block of the estate"
    assert (
        explain_names(["X", "Y"], None)[0] == "have no readings that vintage, or are not blocks of the estate"
    )


def test_tickets_that_do_not_serve_are_told_by_set_of_blocks():
    tickets = read_tickets(
        loads_of(("X", 4.0), ("X", 5.0), ("", 3.0), ("A", 0.0), ("A", -1.0), ("A;X", 2.0)), blocks=["A"]
    )
    notes = describe_unused(tickets, vintage=2026, known_blocks=["A", "X"])
    assert notes[0].startswith(
        "1 load of vintage 2026 (3.0 t; ticket T2) names no block; not used for settling."
    )
    assert notes[1].startswith(
        "2 loads of vintage 2026 (9.0 t; tickets T0, T1) name block X, which has no readings"
    )
    assert notes[2].startswith("2 loads of vintage 2026 (tickets T3, T4) without a net weight above 0 kg")
    assert len(notes) == 3
    assert describe_unused(tickets[-1:], vintage=2026, known_blocks=None) == []


def test_loads_tie_blocks_together_directly_and_through_others():
    groups, notes = grouped(
        ("A", 10.0), ("A;B", 6.0), ("B;C", 4.0), ("D", 3.0), ("A", 5.0), blocks=("A", "B", "C", "D", "E")
    )
    assert [one.blocks for one in groups] == [("A", "B", "C"), ("D",)]
    tied, alone = groups
    assert tied.own["A"] == Mass(15.0, pytest.approx(14.7))
    assert tied.shared[("A", "B")].gross_t == 6.0
    assert tied.tickets == {"A": 3, "B": 2, "C": 1}
    assert tied.gross_t == 25.0
    assert alone.mog_pct == {"D": pytest.approx(2.0)}
    assert alone.mog_given
    assert notes == []
    assert grouped(("A", 1.0), vintage=2025)[0] == []
    assert group_loads(pd.DataFrame(), vintage=2026, blocks=["A"]) == ([], [])


def test_machines_are_weighed_apart_only_where_every_load_names_its_own():
    whole = grouped(("A", 10.0, 2.0, "H1"), ("A", 4.0, 2.0, "H2"), ("A", 6.0, 2.0, "H1"))[0][0]
    assert whole.machine_t == {"H1": 16.0, "H2": 4.0}
    assert grouped(("A", 10.0, 2.0, "H1"), ("A", 4.0))[0][0].machine_t == {}
    assert grouped(("A", 10.0, 2.0, "H1"), ("A;X", 4.0, 2.0, "H1"))[0][0].machine_t == {}


def test_mog_is_by_mass_and_that_of_own_loads_first():
    group = grouped(("A", 30.0, 1.0), ("A", 10.0, 3.0), ("A;B", 20.0, 9.0), ("B", 5.0, np.nan))[0][0]
    assert group.mog_pct == {"A": pytest.approx(1.5), "B": pytest.approx(9.0)}
    assert not group.mog_given
    none, notes = grouped(("A", 30.0, np.nan))
    assert np.isnan(none[0].mog_pct["A"])
    assert "block A: not all loads give MOG" in notes[0]


def test_a_shared_load_goes_where_crop_lacks_heavier_blocks_giving_more():
    def shares(lines, readings):
        return {
            name: round(mass.gross_t, 3) for name, mass in share_out(grouped(*lines)[0][0], readings).items()
        }

    assert shares([("A", 60.0), ("A;B", 80.0)], {"A": 100.0, "B": 40.0}) == {"A": 100.0, "B": 40.0}
    # 10 t more than the readings have: by the square of what is wanted, 100 : 50 scaled alike
    assert shares([("A;B", 150.0)], {"A": 100.0, "B": 50.0}) == {"A": 100.0, "B": 50.0}
    assert shares([("A;B", 75.0)], {"A": 100.0, "B": 50.0}) == {"A": 50.0, "B": 25.0}
    found = shares([("A", 120.0), ("A;B", 10.0)], {"A": 100.0, "B": 30.0})
    assert 0.0 < found["A"] - 120.0 <= 0.1  # A has more than enough: the least, a hundredth
    three = shares([("A;B", 40.0), ("B;C", 40.0)], {"A": 30.0, "B": 30.0, "C": 20.0})
    assert three == {"A": 30.0, "B": 30.0, "C": 20.0}
    uneven = shares([("A", 70.0), ("A;B", 40.0), ("B", 30.0)], {"A": 80.0, "B": 40.0})
    # wanted 93.333 and 46.667 leave 23.333 and 16.667: it fits without a rest
    assert uneven == {"A": 93.333, "B": 46.667}


def test_shares_keep_the_mog_of_their_load_and_the_whole_of_it():
    group = grouped(("A", 60.0, 0.0), ("A;B", 80.0, 10.0))[0][0]
    found = share_out(group, {"A": 90.0, "B": 55.0})
    assert sum(one.gross_t for one in found.values()) == pytest.approx(140.0)
    assert found["B"].grapes_t == pytest.approx(0.9 * found["B"].gross_t)
    assert found["A"].grapes_t == pytest.approx(60.0 + 0.9 * (found["A"].gross_t - 60.0))


def test_a_vague_load_goes_by_the_readings_within_its_bounds():
    group = grouped(("A", 90.0), ("A;X", 10.0))[0][0]
    assert share_out(group, {"A": 100.0})["A"].gross_t == 90.0
    sharp = share_vague(group, "A", 90.0, 96.0, 0.001)
    assert sharp.mass.gross_t == pytest.approx(6.0, abs=0.01)
    assert sharp.mass.grapes_t == pytest.approx(0.98 * 6.0, abs=0.01)
    assert sharp.error_t == pytest.approx(0.096, rel=0.01)
    assert sharp.most_t == 10.0
    blunt = share_vague(group, "A", 90.0, 96.0, 5.0)
    assert blunt.mass.gross_t == pytest.approx(5.0, abs=0.05)
    assert blunt.error_t == pytest.approx(10.0 / np.sqrt(12), rel=0.01)
    nothing = share_vague(grouped(("A", 90.0))[0][0], "A", 90.0, 96.0, 0.1)
    assert (nothing.mass, nothing.error_t, nothing.most_t) == (NOTHING, 0.0, 0.0)


def test_vague_loads_are_told_with_why():
    group = grouped(("A", 90.0), ("A;X", 10.0), ("A;Y", 4.0))[0][0]
    share = share_vague(group, "A", 90.0, 96.0, 0.001)
    told = describe_vague(group, "A", share, vintage=2026, known_blocks=["A", "X", "Y"])
    assert told.startswith(
        "Block A, vintage 2026: 2 loads (tickets T1, T2) also name blocks X and Y, which have no"
    )
    assert "Between 0 and 14.00 t of this can be of block A; by its readings 6.00 t" in told
    one = grouped(("A", 90.0), ("A;X", 10.0))[0][0]
    told = describe_vague(one, "A", share, vintage=2026, known_blocks=["A"])
    assert "1 load (ticket T1) also names block X, which is not a block of the estate" in told
    light = grouped(("A", 90.0), ("A", 0.0), ("A", 0.0))[0][0]
    assert "2 loads (tickets T1, T2) have no weight" in describe_vague(
        light, "A", share, vintage=2026, known_blocks=None
    )


@pytest.mark.parametrize(
    ("weighed", "told"), [(49.0, True), (51.0, False), (100.0, False), (199.0, False), (201.0, True)]
)
def test_loads_of_half_to_twice_the_readings_are_believed(weighed, told):
    assert bool(dispute_of("A", weighed, 100.0)) == told
    assert dispute_of("A", 5.0, 0.0) == "Block A: 5.00 t weighed, but no reading was kept; nothing to settle."


def test_a_share_sure_of_itself_or_without_bounds():
    assert bounded_share(3.0, 0.0, 10.0) == (3.0, 0.0)
    assert bounded_share(-3.0, 0.0, 10.0) == (0.0, 0.0)
    assert bounded_share(30.0, 0.0, 10.0) == (10.0, 0.0)
    assert bounded_share(3.0, 1.0, 0.0) == (0.0, 0.0)
    assert bounded_share(100.0, 1.0, 10.0) == (10.0, 1.0)
    assert bounded_share(-100.0, 1.0, 10.0) == (0.0, 1.0)
    assert bounded_share(-1000.0, 100.0, 12.0)[1] == pytest.approx(12 / np.sqrt(12))


BLOCKS = pd.DataFrame({"block_id": ["A", "B", "C"], "area_ha": [4.0, 2.0, 1.0]})


def weighed(*lines, **more):
    return block_yields_from_loads(loads_of(*lines, **more), BLOCKS).set_index("block_id")


def test_error_of_own_loads_is_that_of_weighing_tickets_and_mog():
    one = weighed(*[("A", 10.0)] * 4).loc["A"]
    assert one["yield_se_t_ha"] / one["yield_t_ha"] == pytest.approx(np.sqrt(0.005**2 + 0.01**2 + 0.003**2))
    without = weighed(*[("A", 10.0)] * 4, ("C", 3.0, np.nan), mog=np.nan).loc["A"]
    assert without["yield_se_t_ha"] / without["yield_t_ha"] == pytest.approx(
        np.sqrt(0.005**2 + 0.01**2 + 0.01**2)
    )


def test_a_load_shared_by_two_alike_is_halved_and_by_unlike_goes_by_area():
    twins = weighed(("A;B", 30.0), ("A", 0.1), mog=0.0)
    assert twins["yield_t_ha"].tolist() == pytest.approx([5.0, 5.0], abs=0.1)  # usual yield 30.1 t on 6 ha
    tonnes = twins["yield_t_ha"] * BLOCKS.set_index("block_id")["area_ha"].reindex(twins.index)
    assert tonnes.sum() == pytest.approx(30.1)
    # By precision: 35 % of 20 t and of 10 t, each told by the other too.
    error = 0.35 / np.sqrt(20.0**-2 + 10.0**-2)
    assert twins.loc["B", "yield_se_t_ha"] * 2.0 == pytest.approx(error, rel=0.06)


def test_what_a_block_surely_brought_counts_against_its_part_of_a_shared_load():
    found = weighed(("A", 40.0), ("A;B", 20.0), mog=0.0)
    tonnes = found["yield_t_ha"] * [4.0, 2.0]
    assert tonnes.sum() == pytest.approx(60.0)
    # Usual yield 10 t/ha: A lacks nothing, B all 20 t.
    assert tonnes["B"] > 14.0
    assert found["loads"].tolist() == [2, 1]


def test_a_load_with_a_stranger_gives_no_more_than_it_holds():
    found = weighed(("C", 9.0), ("C;X", 3.0), mog=0.0).loc["C"]
    assert 9.0 < found["yield_t_ha"] < 12.0
    assert found["yield_se_t_ha"] == pytest.approx(3 / np.sqrt(12), rel=0.2)
    nothing = weighed(("C", 0.0), ("B", 5.0), mog=0.0)
    assert 0.0 < nothing.loc["C", "yield_t_ha"] < 5.0
    assert weighed(("C", 0.0)).empty


def test_doubt_of_a_shared_load_is_that_of_the_others_too():
    # C is known by its own 10 t to the last kilogram it can bring; what is left of 20 t is A's and B's.
    found = weighed(("A;B;C", 35.0), mog=0.0)
    tonnes = found["yield_t_ha"] * BLOCKS.set_index("block_id")["area_ha"]
    assert tonnes.sum() == pytest.approx(35.0)
    assert tonnes.to_numpy() == pytest.approx([20.0, 10.0, 5.0], rel=0.05)
    relative = found["yield_se_t_ha"] / found["yield_t_ha"]
    assert relative["A"] < relative["B"] < relative["C"]  # the largest is told best by what the others can be
    error = tonnes["C"] * relative["C"]
    alone, rest = 0.35 * 5.0, 0.35 * np.hypot(20.0, 10.0)
    assert error == pytest.approx(1 / np.sqrt(alone**-2 + rest**-2), rel=0.06)


def test_tonnes_of_a_load_that_names_no_block_here_say_nothing_of_the_usual_yield():
    plain = weighed(("A;B", 30.0), ("A", 10.0), mog=0.0)
    more = weighed(("A;B", 30.0), ("A", 10.0), ("X", 500.0), mog=0.0)
    assert more["yield_t_ha"].tolist() == plain["yield_t_ha"].tolist()


def test_a_vague_load_of_less_than_a_tonne_is_shared_as_well():
    group = grouped(("A", 90.0), ("A;X", 0.4))[0][0]
    share = share_vague(group, "A", 90.0, 91.0, 5.0)
    assert share.most_t == 0.4
    assert share.mass.gross_t == pytest.approx(0.2, abs=0.01)
