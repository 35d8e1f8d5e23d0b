"""Notes on a settlement stay short however many blocks they concern."""

import numpy as np
import pandas as pd

from vinemap.harvest.settle import _remarks


def test_a_note_on_thousands_of_blocks_names_the_first_and_counts_the_rest():
    few, many = (
        _remarks(pd.DataFrame({
            "block_id": [f"N{one:04d}" for one in range(count)], "weighed_t": np.nan, "coverage": 0.5,
            "loads": 0,
        }), 2026)
        for count in (40, 5000)
    )  # fmt: skip
    assert "N0039; the readings" in few[0]
    assert "N0039 (50 %); in the total" in few[1]
    assert "N0039 ... (+4960); the readings" in many[0]
    assert max(map(len, many)) < 1000
