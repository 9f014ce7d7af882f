"""The invented country: heights, creeks and ridges on one square grid.

The heights are those of a land that rises as fast as its streams cut down: slope falls
with the root of the area drained (the stream-power law at steady state, n = 1, m = 0.5;
Whipple & Tucker 1999). One cell on the west edge is the only way out, so every creek
falls to it, and the ridges are what is left standing between the creeks.

Local metres: x east, y north, from the south-west corner of the grid.
"""

import heapq
import math
import random

CELL_M = 50.0
COLUMNS, ROWS = 201, 161
OUTLET = (70, 0)  # row, column
BASE_M = 310.0  # height of the outlet
STEEPNESS_M = 46.0  # slope times the root of the drained area, metres
STEEPEST = 0.36  # no slope of a hillside is steeper
ROUNDS = 40
CREEK_AREA_M2 = 0.55e6
RIDGE_AREA_M2 = 0.26e6


def neighbours(cell):
    """The up to eight cells around one, with their distance in metres."""
    row, column = divmod(cell, COLUMNS)
    for dr in (-1, 0, 1):
        for dc in (-1, 0, 1):
            r, c = row + dr, column + dc
            if (dr or dc) and 0 <= r < ROWS and 0 <= c < COLUMNS:
                yield r * COLUMNS + c, CELL_M * math.sqrt(dr * dr + dc * dc)


AROUND = [list(neighbours(cell)) for cell in range(ROWS * COLUMNS)]


def place(cell):
    """Local metres of a cell's centre."""
    row, column = divmod(cell, COLUMNS)
    return column * CELL_M, row * CELL_M


def smooth_noise(rng, step):
    """Noise in -1..1 that varies over `step` cells, one value a cell."""
    across, up = COLUMNS // step + 3, ROWS // step + 3
    knots = [[2.0 * rng.random() - 1.0 for _ in range(across)] for _ in range(up)]
    values = []
    for row in range(ROWS):
        r, v = divmod(row, step)
        v = v / step
        v = v * v * (3.0 - 2.0 * v)
        for column in range(COLUMNS):
            c, u = divmod(column, step)
            u = u / step
            u = u * u * (3.0 - 2.0 * u)
            low = knots[r][c] * (1.0 - u) + knots[r][c + 1] * u
            high = knots[r + 1][c] * (1.0 - u) + knots[r + 1][c + 1] * u
            values.append(low * (1.0 - v) + high * v)
    return values


def first_surface(rng):
    """A tilted plain with one wide valley that rises to the east, and noise."""
    coarse, middle, fine = smooth_noise(rng, 28), smooth_noise(rng, 11), smooth_noise(rng, 4)
    heights = []
    for cell in range(ROWS * COLUMNS):
        x, y = place(cell)
        axis = 3500.0 + 550.0 * math.sin(x / 1500.0) + 0.06 * x
        rise = 0.012 * x + 0.03 * abs(y - axis)
        heights.append(rise + 38.0 * coarse[cell] + 16.0 * middle[cell] + 6.0 * fine[cell])
    return heights


def flow(heights, root):
    """Fills hollows, then lets every cell fall to its steepest neighbour.

    Returns the filled heights, the receiver of each cell (the root's is itself) and the
    cells from low to high.
    """
    filled = list(heights)
    seen = [False] * len(heights)
    seen[root] = True
    queue = [(filled[root], root)]
    while queue:
        low, cell = heapq.heappop(queue)
        for other, _ in AROUND[cell]:
            if not seen[other]:
                seen[other] = True
                filled[other] = max(filled[other], low + 1e-4)
                heapq.heappush(queue, (filled[other], other))
    receiver = [
        max(AROUND[cell], key=lambda to: (filled[cell] - filled[to[0]]) / to[1])[0]
        for cell in range(len(heights))
    ]
    receiver[root] = root
    order = sorted(range(len(heights)), key=lambda cell: (filled[cell], cell))
    order.remove(root)
    return filled, receiver, [root] + order


def drained_area(receiver, order):
    """Square metres that drain through each cell, its own included."""
    area = [CELL_M * CELL_M] * len(receiver)
    for cell in reversed(order[1:]):
        area[receiver[cell]] += area[cell]
    return area


def soften(heights, share):
    """Moves each height toward the mean of its neighbours by `share`."""
    return [
        (1.0 - share) * heights[cell] + share * sum(heights[o] for o, _ in around) / len(around)
        for cell, around in enumerate(AROUND)
    ]


def carve(rng):
    """Heights in metres and the flow that shaped them."""
    root = OUTLET[0] * COLUMNS + OUTLET[1]
    hardness = [1.0 + 0.45 * v for v in smooth_noise(rng, 14)]
    heights = first_surface(rng)
    for _ in range(ROUNDS):
        filled, receiver, order = flow(heights, root)
        area = drained_area(receiver, order)
        cut = list(filled)
        cut[root] = BASE_M
        for cell in order[1:]:
            below = receiver[cell]
            (x, y), (bx, by) = place(cell), place(below)
            slope = min(STEEPEST, hardness[cell] * STEEPNESS_M / math.sqrt(area[cell]))
            cut[cell] = cut[below] + slope * math.sqrt((x - bx) ** 2 + (y - by) ** 2)
        heights = [0.4 * old + 0.6 * new for old, new in zip(filled, cut)]
        heights = soften(heights, 0.7)
    for _ in range(3):
        heights = soften(heights, 0.7)
    return flow(heights, root)


def channels(receiver, order, area, least_m2, wanted):
    """Cells of the tree that drain at least `least_m2` and lead on from a wanted cell."""
    kept = set()
    for cell in reversed(order):
        if area[cell] >= least_m2 and (cell in kept or wanted(place(cell))):
            kept.add(cell)
            if receiver[cell] != cell:
                kept.add(receiver[cell])
    return kept


def smooth_tree(kept, receiver, area, passes):
    """Rounds the corners that the grid puts into a tree; ends stay where they are."""
    above = {}
    for cell in sorted(kept):
        below = receiver[cell]
        if below != cell and (below not in above or area[above[below]] < area[cell]):
            above[below] = cell
    at = {cell: place(cell) for cell in kept}
    for _ in range(passes):
        at = {
            cell: (
                tuple(
                    0.25 * at[above[cell]][k] + 0.5 * at[cell][k] + 0.25 * at[receiver[cell]][k]
                    for k in (0, 1)
                )
                if cell in above and receiver[cell] in at and receiver[cell] != cell
                else at[cell]
            )
            for cell in at
        }
    return at


def reaches(kept, receiver, area):
    """The tree as chains of cells, each from a head (or the root of a side branch) down
    to the cell where it meets a larger chain; the largest chain comes first."""
    feeders = {}
    for cell in sorted(kept):
        if receiver[cell] != cell and receiver[cell] in kept:
            feeders.setdefault(receiver[cell], []).append(cell)
    chains, open_ends = (
        [],
        [cell for cell in kept if receiver[cell] == cell or receiver[cell] not in kept],
    )
    open_ends = [(cell, None) for cell in sorted(open_ends)]
    while open_ends:
        cell, foot = open_ends.pop(0)
        chain = [cell] if foot is None else [foot, cell]
        while cell in feeders:
            first, *rest = sorted(feeders[cell], key=lambda f: (-area[f], f))
            open_ends += [(side, cell) for side in rest]
            chain.append(first)
            cell = first
        chains.append(chain[::-1])
    return chains


def between(values, point):
    """A value between cells, bilinear."""
    column = min(max(point[0] / CELL_M, 0.0), COLUMNS - 1.001)
    row = min(max(point[1] / CELL_M, 0.0), ROWS - 1.001)
    c, r = int(column), int(row)
    u, v = column - c, row - r
    low = values[r * COLUMNS + c] * (1 - u) + values[r * COLUMNS + c + 1] * u
    high = values[(r + 1) * COLUMNS + c] * (1 - u) + values[(r + 1) * COLUMNS + c + 1] * u
    return low * (1 - v) + high * v


class Country:
    """Heights, creeks (downstream) and ridges (uphill) in local metres."""

    def __init__(self, seed, wanted):
        rng = random.Random(seed)
        self.bends = [(75.0, smooth_noise(rng, 12), smooth_noise(rng, 12))]
        self.bends.append((22.0, smooth_noise(rng, 5), smooth_noise(rng, 5)))
        self.heights, receiver, order = carve(rng)
        area = drained_area(receiver, order)
        kept = channels(receiver, order, area, CREEK_AREA_M2, wanted)
        at = smooth_tree(kept, receiver, area, 4)
        self.creeks = [
            (
                [at[c] for c in chain],
                area[chain[-2]],
                [self.heights[chain[0]], self.heights[chain[-1]]],
            )
            for chain in reaches(kept, receiver, area)
            if len(chain) > 7
        ]
        upside = [-h for h in self.heights]
        top = min(range(len(upside)), key=lambda cell: (upside[cell], cell))
        _, receiver, order = flow(upside, top)
        area = drained_area(receiver, order)
        kept = {
            cell
            for cell in channels(receiver, order, area, RIDGE_AREA_M2, wanted)
            if wanted(place(cell))
        }
        at = smooth_tree(kept, receiver, area, 8)
        self.ridges = [
            [at[c] for c in chain] for chain in reaches(kept, receiver, area) if len(chain) > 8
        ]

    def bend(self, point):
        """Where a point of the square grid lies in the country: shifted by smooth noise,
        so that nothing natural keeps the grid's straight lines. Nothing tears or folds."""
        x, y = point
        for size, east, north in self.bends:
            x += size * between(east, point)
            y += size * between(north, point)
        return x, y

    def height(self, point):
        """Height in metres at a point of the square grid."""
        return between(self.heights, point)
