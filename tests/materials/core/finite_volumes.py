"""Heat in a slab by finite volumes: written from the heat equation alone, to check the series against.

Cells of one width, the room's temperature at the outside of the last one through half a cell and the film;
in time the trapezoidal rule, its first steps implicit so that a jump does not ring.
"""

from __future__ import annotations


class Volumes:
    def __init__(self, *, depth_m, k, rho_c, h, start_c, cells=200):
        self.width = depth_m / cells
        self.between = k / self.width
        self.outside = 1 / (1 / h + self.width / 2 / k)
        self.capacity = rho_c * self.width
        self.k, self.h = k, h
        self.t_c = [float(start_c)] * cells
        self.steps = 0

    def step(self, seconds, room_before, room_after):
        """Go on by one step; the last steps before and after a jump of the room are the caller's to choose."""
        share = 1.0 if self.steps < 4 else 0.5
        self.steps += 1
        flows = self._flows(room_before)
        now, n = self.t_c, len(self.t_c)
        right = [now[i] + (1 - share) * seconds / self.capacity * (flows[i] - flows[i + 1]) for i in range(n)]
        a = share * seconds / self.capacity * self.between
        b = share * seconds / self.capacity * self.outside
        right[-1] += b * room_after
        diagonal = [1 + (a if i else 0) + (a if i < n - 1 else b) for i in range(n)]
        # Thomas: the off-diagonals are all -a.
        upper = [0.0] * n
        for i in range(n):
            below = -a if i else 0.0
            pivot = diagonal[i] - below * (upper[i - 1] if i else 0.0)
            upper[i] = -a / pivot
            right[i] = (right[i] - below * (right[i - 1] if i else 0.0)) / pivot
        for i in range(n - 2, -1, -1):
            right[i] -= upper[i] * right[i + 1]
        self.t_c = right

    def _flows(self, room_c):
        """Return the heat that flows outwards through each border of the cells, inside first."""
        t_c = self.t_c
        inner = [self.between * (t_c[i] - t_c[i + 1]) for i in range(len(t_c) - 1)]
        return [0.0, *inner, self.outside * (t_c[-1] - room_c)]

    def restart_steps(self):
        self.steps = 0

    def change_film(self, h):
        self.h = h
        self.outside = 1 / (1 / h + self.width / 2 / self.k)
        self.restart_steps()

    def face_c(self, room_c):
        return self.t_c[-1] - self.outside * (self.t_c[-1] - room_c) * self.width / 2 / self.k

    def core_c(self):
        # The profile is flat at the insulated face: a parabola through two cells.
        return self.t_c[0] + (self.t_c[0] - self.t_c[1]) / 8

    def farthest_k(self, room_c):
        return max(abs(t - room_c) for t in [self.core_c(), *self.t_c, self.face_c(room_c)])
