"""Compiled heart of local ordinary kriging: nearest readings, one factorisation, several cells.

For readings with covariance matrix K (structure, plus nugget and error variance on the diagonal), values z,
covariances c of a cell with the readings and mean covariance v within the cell, factorise K = U'U and solve
U'a = z, U'b = 1, U'd = c. Then, with slack = 1 - b.d and total = b.b,

    estimate = a.d + slack / total * a.b            variance = v - d.d + slack^2 / total

which is ordinary kriging written without its multiplier (Cressie 1993, Statistics for Spatial Data, section
3.2). The right-hand sides ride along as further columns of the matrix, so the factorisation solves them too,
and a cell that shares its neighbourhood costs one further column.
"""

from __future__ import annotations

import numpy as np

from vinemap.surface.neighbours import compiled, find_nearest

SMALLEST_PIVOT = 1e-10  # of the sill: a reading that adds less than this to those before it is passed over


@compiled
def look_up(distance, table):  # type: ignore[no-untyped-def]
    """Covariance at a distance in steps of the table."""
    segment = min(int(distance), table.shape[0] - 1)
    part = distance - segment
    row = table[segment]
    return row[0] + part * (row[1] + part * (row[2] + part * row[3]))


@compiled
def eliminate(matrix, size, smallest):  # type: ignore[no-untyped-def]
    """Factorise the upper triangle of the first `size` columns in place and carry the other columns along.

    Four pivots at a time: each later row is loaded and stored once for four updates.
    """
    width = matrix.shape[1]
    for first in range(0, size, 4):
        last = min(first + 4, size)
        for j in range(first, last):
            for k in range(first, j):
                factor = matrix[k, j]
                source = matrix[k, j:]
                target = matrix[j, j:]
                for c in range(width - j):
                    target[c] -= factor * source[c]
            pivot = matrix[j, j]
            scale = 1.0 / np.sqrt(pivot) if pivot > smallest else 0.0
            target = matrix[j, j:]
            for c in range(width - j):
                target[c] *= scale
        if last - first < 4:
            return
        row0, row1, row2, row3 = matrix[first], matrix[first + 1], matrix[first + 2], matrix[first + 3]
        for i in range(last, size):
            f0, f1, f2, f3 = row0[i], row1[i], row2[i], row3[i]
            s0, s1, s2, s3 = row0[i:], row1[i:], row2[i:], row3[i:]
            target = matrix[i, i:]
            for c in range(width - i):
                target[c] -= f0 * s0[c] + f1 * s1[c] + f2 * s2[c] + f3 * s3[c]


@compiled
def assemble(matrix, nx, ny, nz, diagonal, count, neighbours, table, per_step, partial_sill):  # type: ignore[no-untyped-def]
    """Fill the matrix of one neighbourhood: covariances, then the columns of values and of ones."""
    steps = np.empty(count)
    for i in range(count):
        x, y = nx[i], ny[i]
        row = matrix[i]
        for j in range(i + 1, count):
            steps[j] = np.sqrt((nx[j] - x) ** 2 + (ny[j] - y) ** 2) * per_step
        row[i] = partial_sill + diagonal[i]
        for j in range(i + 1, count):
            row[j] = look_up(steps[j], table)
        for j in range(count, neighbours):
            row[j] = 0.0
        row[neighbours] = nz[i]
        row[neighbours + 1] = 1.0


@compiled
def assemble_cell(  # type: ignore[no-untyped-def]
    matrix, column, x, y, nx, ny, count, offsets, weights, table, per_step, coincident
):
    """Fill the column of covariances between one cell and the readings of the neighbourhood."""
    points = weights.shape[0]
    for i in range(count):
        east, north = x - nx[i], y - ny[i]
        total = 0.0
        for q in range(points):
            squared = (east + offsets[q, 0]) ** 2 + (north + offsets[q, 1]) ** 2
            total += weights[q] * look_up(np.sqrt(squared) * per_step, table)
        if coincident > 0.0 and east == 0.0 and north == 0.0:
            total += coincident
        matrix[i, column] = total


@compiled
def solve_cell(matrix, column, count, neighbours, support_covariance):  # type: ignore[no-untyped-def]
    """Read the estimate and its variance off the carried columns."""
    values, ones = neighbours, neighbours + 1
    ab = ad = bb = bd = dd = 0.0
    for i in range(count):
        a, b, d = matrix[i, values], matrix[i, ones], matrix[i, column]
        ab += a * b
        ad += a * d
        bb += b * b
        bd += b * d
        dd += d * d
    slack = 1.0 - bd
    variance = support_covariance - dd + slack * slack / bb
    return ad + slack / bb * ab, max(variance, 0.0)


@compiled
def krige_groups(  # type: ignore[no-untyped-def]
    cells, group_starts, group_labels, points, values, diagonal, labels,
    bin_starts, west, south, side, rows, columns, neighbours,
    offsets, weights, table, per_step, partial_sill, coincident, support_covariance, smallest,
    mean, variance, nearest,
):  # fmt: skip
    """Krige groups of cells; all cells of a group share the readings nearest to the mean of their centres."""
    px, py = points[:, 0].copy(), points[:, 1].copy()
    widest = 0
    for g in range(group_starts.shape[0] - 1):
        widest = max(widest, group_starts[g + 1] - group_starts[g])
    matrix = np.zeros((neighbours, (neighbours + 2 + widest + 7) // 8 * 8))
    key, index = np.empty(px.shape[0]), np.empty(px.shape[0], np.int64)
    nx, ny, nz, nd = np.empty(neighbours), np.empty(neighbours), np.empty(neighbours), np.empty(neighbours)
    for g in range(group_starts.shape[0] - 1):
        first, last = group_starts[g], group_starts[g + 1]
        x, y = cells[first:last, 0].mean(), cells[first:last, 1].mean()
        count = find_nearest(
            x, y, group_labels[g], neighbours, px, py, labels,
            bin_starts, west, south, side, rows, columns, key, index,
        )  # fmt: skip
        if count == 0:
            continue
        for i in range(count):
            nx[i], ny[i] = px[index[i]], py[index[i]]
            nz[i], nd[i] = values[index[i]], diagonal[index[i]]
        assemble(matrix, nx, ny, nz, nd, count, neighbours, table, per_step, partial_sill)
        for cell in range(first, last):
            assemble_cell(
                matrix, neighbours + 2 + cell - first, cells[cell, 0], cells[cell, 1], nx, ny, count,
                offsets, weights, table, per_step, coincident,
            )  # fmt: skip
        eliminate(matrix, count, smallest)
        for cell in range(first, last):
            mean[cell], variance[cell] = solve_cell(
                matrix, neighbours + 2 + cell - first, count, neighbours, support_covariance
            )
            closest = np.inf
            for i in range(count):
                closest = min(closest, (nx[i] - cells[cell, 0]) ** 2 + (ny[i] - cells[cell, 1]) ** 2)
            nearest[cell] = np.sqrt(closest)


@compiled
def krige_support(  # type: ignore[no-untyped-def]
    points, values, diagonal, support, weights, table, per_step, partial_sill, support_covariance, smallest
):
    """Krige one support of any shape from all the readings given; its estimate and variance."""
    count = points.shape[0]
    px, py = points[:, 0].copy(), points[:, 1].copy()
    matrix = np.zeros((count, (count + 3 + 7) // 8 * 8))
    assemble(matrix, px, py, values, diagonal, count, count, table, per_step, partial_sill)
    assemble_cell(matrix, count + 2, 0.0, 0.0, px, py, count, support, weights, table, per_step, 0.0)
    eliminate(matrix, count, smallest)
    return solve_cell(matrix, count + 2, count, count, support_covariance)
