"""Robust spread: the scale beside which a step, a reading or a row end is odd."""

MAD_TO_SD = 1.4826  # of a normal: standard deviation over median absolute deviation, 1 / 0.6745
