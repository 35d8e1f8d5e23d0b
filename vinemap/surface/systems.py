"""Compiled heart of local ordinary kriging: nearest readings, one factorisation, several cells.

For readings with covariance matrix K (structure, plus nugget and error variance on the diagonal), values z,
covariances c of a cell with the readings and mean covariance v within the cell, factorise K = U'U and solve
U'a = z, U'b = 1, U'd = c. Then, with slack = 1 - b.d and total = b.b,

    estimate = a.d + slack / total * a.b            variance = v - d.d + slack^2 / total

which is ordinary kriging written without its multiplier (Cressie 1993, Statistics for Spatial Data, section
3.2). The right-hand sides ride along as further columns of the matrix, so the factorisation solves them too,
and a cell that shares its neighbourhood costs one further column.

Everything inner works on eight numbers at once (`lanes`). Rows and columns are padded with noughts to whole
lanes; a row of noughts is passed over by the elimination.
"""

from __future__ import annotations

import numpy as np

from vinemap.surface.covariance import SQUARINGS
from vinemap.surface.lanes import (
    LANES,
    add_product,
    load,
    multiply,
    smaller,
    spread,
    square_root,
    store,
    subtract,
    take_product,
)
from vinemap.surface.neighbours import compiled, find_nearest

SMALLEST_PIVOT = 1e-10  # of the sill: a reading that adds less than this to those before it is passed over
PIVOTS = 4  # rows eliminated together: sixteen registers of sums, two of source


@compiled
def pad(count, step):  # type: ignore[no-untyped-def]
    """Round up to a multiple."""
    return (count + step - 1) // step * step


@compiled
def covariance_lanes(squared, terms):  # type: ignore[no-untyped-def]
    """Covariance at eight squared distances; for `terms` see `covariance.kernel_terms`."""
    total = spread(0.0)
    for k in range(terms.shape[0]):
        u = smaller(square_root(multiply(squared, spread(terms[k, 0]))), spread(terms[k, 1]))
        value = add_product(spread(terms[k, 5]), u, spread(terms[k, 6]))
        value = add_product(spread(terms[k, 4]), u, value)
        value = add_product(spread(terms[k, 3]), u, value)
        if terms[k, 2] != 0.0:
            x = multiply(u, spread(terms[k, 2]))  # exp(256 x) is exp(x) squared eight times
            power = add_product(spread(1.0 / 5040.0), x, spread(1.0 / 40320.0))
            power = add_product(spread(1.0 / 720.0), x, power)
            power = add_product(spread(1.0 / 120.0), x, power)
            power = add_product(spread(1.0 / 24.0), x, power)
            power = add_product(spread(1.0 / 6.0), x, power)
            power = add_product(spread(0.5), x, power)
            power = add_product(spread(1.0), x, power)
            power = add_product(spread(1.0), x, power)
            for _ in range(SQUARINGS):
                power = multiply(power, power)
            value = multiply(value, power)
        total = add_product(total, value, spread(1.0))
    return total


@compiled
def squared_lanes(near, j, x, y):  # type: ignore[no-untyped-def]
    """Squared distances of eight readings to a place."""
    east, north = subtract(load(near, 0, j), spread(x)), subtract(load(near, 1, j), spread(y))
    return add_product(multiply(east, east), north, north)


@compiled
def subtract_products(matrix, i, c):  # type: ignore[no-untyped-def]
    """Eight columns of four rows, less the products with all rows above."""
    a0, a1 = load(matrix, i, c), load(matrix, i + 1, c)
    a2, a3 = load(matrix, i + 2, c), load(matrix, i + 3, c)
    for k in range(i):
        s = load(matrix, k, c)
        a0 = take_product(a0, spread(matrix[k, i]), s)
        a1 = take_product(a1, spread(matrix[k, i + 1]), s)
        a2 = take_product(a2, spread(matrix[k, i + 2]), s)
        a3 = take_product(a3, spread(matrix[k, i + 3]), s)
    return a0, a1, a2, a3


@compiled
def subtract_products_twice(matrix, i, c):  # type: ignore[no-untyped-def]
    """Sixteen columns of four rows, less the products with all rows above: two sums for each factor."""
    a0, a1 = load(matrix, i, c), load(matrix, i + 1, c)
    a2, a3 = load(matrix, i + 2, c), load(matrix, i + 3, c)
    b0, b1 = load(matrix, i, c + LANES), load(matrix, i + 1, c + LANES)
    b2, b3 = load(matrix, i + 2, c + LANES), load(matrix, i + 3, c + LANES)
    for k in range(i):
        s, t = load(matrix, k, c), load(matrix, k, c + LANES)
        factor = spread(matrix[k, i])
        a0, b0 = take_product(a0, factor, s), take_product(b0, factor, t)
        factor = spread(matrix[k, i + 1])
        a1, b1 = take_product(a1, factor, s), take_product(b1, factor, t)
        factor = spread(matrix[k, i + 2])
        a2, b2 = take_product(a2, factor, s), take_product(b2, factor, t)
        factor = spread(matrix[k, i + 3])
        a3, b3 = take_product(a3, factor, s), take_product(b3, factor, t)
    return a0, a1, a2, a3, b0, b1, b2, b3


@compiled
def inverse_root(pivot, smallest):  # type: ignore[no-untyped-def]
    """One over the root of a pivot; nought passes the row over."""
    return 1.0 / np.sqrt(pivot) if pivot > smallest else 0.0


@compiled
def finish_rows(matrix, i, c, a0, a1, a2, a3, triangle):  # type: ignore[no-untyped-def]
    """Eliminate four rows among themselves in eight columns, and put them back."""
    s0, s1, s2, s3, u01, u02, u03, u12, u13, u23 = triangle
    a0 = multiply(a0, spread(s0))
    a1 = multiply(take_product(a1, spread(u01), a0), spread(s1))
    a2 = take_product(take_product(a2, spread(u02), a0), spread(u12), a1)
    a2 = multiply(a2, spread(s2))
    a3 = take_product(take_product(take_product(a3, spread(u03), a0), spread(u13), a1), spread(u23), a2)
    a3 = multiply(a3, spread(s3))
    store(matrix, i, c, a0)
    store(matrix, i + 1, c, a1)
    store(matrix, i + 2, c, a2)
    store(matrix, i + 3, c, a3)


@compiled
def factorise_four(matrix, i, smallest):  # type: ignore[no-untyped-def]
    """Cholesky factor of four rows on the diagonal: inverse pivots, then what lies above the diagonal."""
    s0 = inverse_root(matrix[i, i], smallest)
    u01, u02, u03 = matrix[i, i + 1] * s0, matrix[i, i + 2] * s0, matrix[i, i + 3] * s0
    s1 = inverse_root(matrix[i + 1, i + 1] - u01 * u01, smallest)
    u12, u13 = (matrix[i + 1, i + 2] - u01 * u02) * s1, (matrix[i + 1, i + 3] - u01 * u03) * s1
    s2 = inverse_root(matrix[i + 2, i + 2] - u02 * u02 - u12 * u12, smallest)
    u23 = (matrix[i + 2, i + 3] - u02 * u03 - u12 * u13) * s2
    s3 = inverse_root(matrix[i + 3, i + 3] - u03 * u03 - u13 * u13 - u23 * u23, smallest)
    return s0, s1, s2, s3, u01, u02, u03, u12, u13, u23


@compiled
def eliminate(matrix, rows, width, smallest):  # type: ignore[no-untyped-def]
    """Factorise the upper triangle of the first `rows` columns in place and carry the other columns along.

    `rows` must be a multiple of `PIVOTS`, `width` (of the columns in use) one of `LANES`. What is left below
    the diagonal means nothing.
    """
    for i in range(0, rows, PIVOTS):
        c = i // LANES * LANES
        a0, a1, a2, a3 = subtract_products(matrix, i, c)
        store(matrix, i, c, a0)
        store(matrix, i + 1, c, a1)
        store(matrix, i + 2, c, a2)
        store(matrix, i + 3, c, a3)
        triangle = factorise_four(matrix, i, smallest)
        finish_rows(matrix, i, c, a0, a1, a2, a3, triangle)
        c += LANES
        while c + LANES < width:
            a0, a1, a2, a3, b0, b1, b2, b3 = subtract_products_twice(matrix, i, c)
            finish_rows(matrix, i, c, a0, a1, a2, a3, triangle)
            finish_rows(matrix, i, c + LANES, b0, b1, b2, b3, triangle)
            c += 2 * LANES
        if c < width:
            a0, a1, a2, a3 = subtract_products(matrix, i, c)
            finish_rows(matrix, i, c, a0, a1, a2, a3, triangle)


@compiled
def assemble(matrix, near, count, cells, terms, partial_sill):  # type: ignore[no-untyped-def]
    """Fill the matrix of one neighbourhood (covariances, values, ones); give the column of the values.

    `near` holds easting, northing, value and noise of the readings, row by row, and one row to write in.
    """
    sides = pad(count, LANES)
    width = sides + pad(2 + cells, LANES)
    for i in range(count):
        for j in range(i // LANES * LANES, sides, LANES):
            store(matrix, i, j, covariance_lanes(squared_lanes(near, j, near[0, i], near[1, i]), terms))
        matrix[i, i] = partial_sill + near[3, i]
        for j in range(count, sides):
            matrix[i, j] = 0.0
        for j in range(sides, width, LANES):
            store(matrix, i, j, spread(0.0))
        matrix[i, sides] = near[2, i]
        matrix[i, sides + 1] = 1.0
    for i in range(count, pad(count, PIVOTS)):
        for j in range(0, width, LANES):
            store(matrix, i, j, spread(0.0))
    return sides


@compiled
def weigh_support(near, count, x, y, support, terms):  # type: ignore[no-untyped-def]
    """Covariance of the readings with a support of weighted points (east, north, weight)."""
    for j in range(0, count, LANES):
        total = spread(0.0)
        for q in range(support.shape[0]):
            squared = squared_lanes(near, j, x + support[q, 0], y + support[q, 1])
            total = add_product(total, covariance_lanes(squared, terms), spread(support[q, 2]))
        store(near, 4, j, total)


@compiled
def cubic_weights(part):  # type: ignore[no-untyped-def]
    """Lagrange weights of the nodes -1, 0, 1, 2."""
    before, after, beyond = part + 1.0, part - 1.0, part - 2.0
    return (
        -part * after * beyond / 6.0,
        before * after * beyond / 2.0,
        -before * part * beyond / 2.0,
        before * part * after / 6.0,
    )


@compiled
def read_support(near, count, x, y, table, per_east, per_north):  # type: ignore[no-untyped-def]
    """Covariance of the readings with a block off its table; True if all of them lie in it."""
    whole, across = True, np.empty(4)
    for i in range(count):
        east, north = abs(near[0, i] - x) * per_east, abs(near[1, i] - y) * per_north
        column, row = int(east), int(north)
        if column + 3 >= table.shape[1] or row + 3 >= table.shape[0]:
            whole = False
            continue
        w0, w1, w2, w3 = cubic_weights(east - column)
        for k in range(4):
            line = table[row + k]
            across[k] = (
                w0 * line[column] + w1 * line[column + 1] + w2 * line[column + 2] + w3 * line[column + 3]
            )
        v0, v1, v2, v3 = cubic_weights(north - row)
        near[4, i] = v0 * across[0] + v1 * across[1] + v2 * across[2] + v3 * across[3]
    return whole


@compiled
def assemble_cell(matrix, column, near, count, x, y, support, table, per_east, per_north, terms, coincident):  # type: ignore[no-untyped-def]
    """Fill the column of covariances between one cell and the readings of the neighbourhood."""
    if table.shape[0] == 0:
        weigh_support(near, count, x, y, support, terms)
    elif not read_support(near, count, x, y, table, per_east, per_north):
        weigh_support(near, count, x, y, support, terms)
        read_support(near, count, x, y, table, per_east, per_north)
    for i in range(count):
        matrix[i, column] = near[4, i]
    if coincident > 0.0:
        for i in range(count):
            if near[0, i] == x and near[1, i] == y:
                matrix[i, column] += coincident


@compiled
def solve_cell(matrix, sides, column, count, support_covariance):  # type: ignore[no-untyped-def]
    """Read the estimate and its variance off the carried columns."""
    ab = ad = bb = bd = dd = 0.0
    for i in range(count):
        a, b, d = matrix[i, sides], matrix[i, sides + 1], matrix[i, column]
        ab += a * b
        ad += a * d
        bb += b * b
        bd += b * d
        dd += d * d
    slack = 1.0 - bd
    variance = support_covariance - dd + slack * slack / bb
    return ad + slack / bb * ab, max(variance, 0.0)


@compiled
def closest_to(near, count, x, y):  # type: ignore[no-untyped-def]
    """Distance to the nearest of the readings."""
    closest = np.inf
    for i in range(count):
        closest = min(closest, (near[0, i] - x) ** 2 + (near[1, i] - y) ** 2)
    return np.sqrt(closest)


@compiled
def krige_groups(  # type: ignore[no-untyped-def]
    cells, group_starts, group_labels, points, values, diagonal, labels,
    bin_starts, west, south, side, rows, columns, neighbours,
    support, table, per_east, per_north, terms, partial_sill, coincident, support_covariance, smallest,
    mean, variance, nearest,
):  # fmt: skip
    """Krige groups of cells; all cells of a group share the readings nearest to the mean of their centres."""
    px, py = points[:, 0].copy(), points[:, 1].copy()
    widest = 0
    for g in range(group_starts.shape[0] - 1):
        widest = max(widest, group_starts[g + 1] - group_starts[g])
    room = pad(neighbours, LANES)
    matrix, near = np.zeros((room, room + pad(2 + widest, LANES))), np.zeros((5, room))
    key, index, guess = np.empty(px.shape[0]), np.empty(px.shape[0], np.int64), 0.0
    for g in range(group_starts.shape[0] - 1):
        first, last = group_starts[g], group_starts[g + 1]
        x, y = cells[first:last, 0].mean(), cells[first:last, 1].mean()
        count = find_nearest(
            x, y, group_labels[g], neighbours, px, py, labels,
            bin_starts, west, south, side, rows, columns, key, index, guess,
        )  # fmt: skip
        guess = key[neighbours - 1] if count == neighbours else 0.0
        if count == 0:
            continue
        for i in range(count):
            near[0, i], near[1, i] = px[index[i]], py[index[i]]
            near[2, i], near[3, i] = values[index[i]], diagonal[index[i]]
        sides = assemble(matrix, near, count, last - first, terms, partial_sill)
        for cell in range(first, last):
            assemble_cell(
                matrix, sides + 2 + cell - first, near, count, cells[cell, 0], cells[cell, 1],
                support, table, per_east, per_north, terms, coincident,
            )  # fmt: skip
        eliminate(matrix, pad(count, PIVOTS), sides + pad(2 + last - first, LANES), smallest)
        for cell in range(first, last):
            mean[cell], variance[cell] = solve_cell(
                matrix, sides, sides + 2 + cell - first, count, support_covariance
            )
            nearest[cell] = closest_to(near, count, cells[cell, 0], cells[cell, 1])


@compiled
def krige_support(points, values, diagonal, support, terms, partial_sill, support_covariance, smallest):  # type: ignore[no-untyped-def]
    """Krige one support of any shape from all the readings given; its estimate and variance."""
    count = points.shape[0]
    near = np.zeros((5, pad(count, LANES)))
    near[0, :count], near[1, :count] = points[:, 0], points[:, 1]
    near[2, :count], near[3, :count] = values, diagonal
    matrix = np.zeros((pad(count, LANES), pad(count, LANES) + LANES))
    sides = assemble(matrix, near, count, 1, terms, partial_sill)
    weigh_support(near, count, 0.0, 0.0, support, terms)
    matrix[:count, sides + 2] = near[4, :count]
    eliminate(matrix, pad(count, PIVOTS), sides + LANES, smallest)
    return solve_cell(matrix, sides, sides + 2, count, support_covariance)
