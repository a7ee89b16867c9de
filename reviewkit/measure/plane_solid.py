"""Plane-stress finite elements with large displacements: quadratic triangles, total Lagrangian, St Venant-Kirchhoff.

Straight-sided six-node triangles with three points of integration.  Strain is Green's, stress the
second of Piola and Kirchhoff, thickness stays as drawn: good for strains up to a few percent.
Slender parts turn far before they strain, which plain Newton steps take badly; here the stress
of the next tangent is carried on from the step's own linear strain, which takes large steps.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csc_array
from scipy.sparse.linalg import SuperLU, splu
from skfem import Basis, ElementTriP2, MeshTri

from reviewkit.errors import SetupError
from reviewkit.measure.layers import Ints
from reviewkit.measure.triangles import Triangles
from reviewkit.model import Floats

# A step is done when no free node carries more than this share of the largest nodal force [-].
_BALANCED = 1e-7
# After this many turns rounding may be all that is left, and a hundred times as much passes.
_PATIENCE = 8
_ITERATIONS = 20
_HALVINGS = 6


@dataclass(frozen=True, eq=False)
class States:
    """A body at the steps of its path.

    Parameters
    ----------
    moved_mm : (k, n, 2) float
        Displacement of every node [mm].
    force_N : (k, n, 2) float
        Force on every node from outside: loads, and reactions where it is held [N].
    energy_N_mm : (k,) float
        Strain energy [N mm].
    """

    moved_mm: Floats
    force_N: Floats  # noqa: N815
    energy_N_mm: Floats  # noqa: N815


class PlaneSolid:
    """A flat body of triangles.

    Parameters
    ----------
    triangles : Triangles
    depth_mm : (m,) float or float
        Thickness out of the plane, of each triangle [mm].
    modulus_MPa : float
        Young's modulus [MPa].
    poisson : float
        Poisson's ratio [-].

    Notes
    -----
    Nodes are the corners, in their order, and then the middles of the sides.

    References
    ----------
    Bathe, Finite Element Procedures, 1996, ch. 6: total Lagrangian formulation (from memory).
    Magisano, Leonetti and Garcea, How to improve efficiency and robustness of the Newton method in
    geometrically non-linear structural problem discretized via displacement-based finite elements,
    Comput. Methods Appl. Mech. Eng. 313 (2017) 986-1005: stress carried on at the points of
    integration (from memory).
    """

    def __init__(
        self,
        triangles: Triangles,
        depth_mm: Floats | float,
        modulus_MPa: float,  # noqa: N803
        poisson: float,
    ) -> None:
        self.triangles = triangles
        mesh = MeshTri(np.ascontiguousarray(triangles.points_mm.T), np.ascontiguousarray(triangles.corners.T))
        basis = Basis(mesh, ElementTriP2(), intorder=2)
        self.nodes_mm: Floats = basis.doflocs.T.copy()
        self.elements: Ints = basis.element_dofs.T.astype(np.int64)
        # (m, q, 6, 2) gradients of the shape functions, (m, q) weights with the depth, (m, q, 2) places.
        self._gradient = np.stack([np.moveaxis(np.asarray(b[0].grad), 0, -1) for b in basis.basis], axis=2)
        self.volume_mm3 = np.asarray(basis.dx) * np.broadcast_to(depth_mm, len(self.elements))[:, None]
        self.places_mm: Floats = np.moveaxis(np.asarray(basis.global_coordinates()), 0, -1)
        stiff = modulus_MPa / (1 - poisson**2)
        self._elastic = stiff * np.array([[1, poisson, 0], [poisson, 1, 0], [0, 0, (1 - poisson) / 2]])
        self._freedoms = np.stack([2 * self.elements, 2 * self.elements + 1], axis=-1).reshape(len(self.elements), 12)
        edges = mesh.facets[:, mesh.boundary_facets()].T.astype(np.int64)
        self.outline_edges: Ints = np.column_stack([edges, basis.facet_dofs[0, mesh.boundary_facets()]])

    @cached_property
    def _to_nodes(self) -> Floats:
        """Values at a triangle's nodes of the plane through the values at its points of integration (m, 6, q)."""
        middle = self.places_mm.mean(axis=1, keepdims=True)
        at_points, at_nodes = (
            np.concatenate([np.ones_like(places[:, :, :1]), places], axis=2)
            for places in (self.places_mm - middle, self.nodes_mm[self.elements] - middle)
        )
        return at_nodes @ np.linalg.inv(at_points)

    def strain(self, moved_mm: Floats) -> Floats:
        """Green's strain at the points of integration, xx, yy and twice xy, (m, q, 3) [-].

        Parameters
        ----------
        moved_mm : (n, 2) float
            Displacement of every node [mm].
        """
        return self._strain(self._slope(moved_mm))

    def on_nodes(self, values: Floats) -> Floats:
        """Values at the points of integration (m, q), carried to the corners and averaged there and at the sides.

        Parameters
        ----------
        values : (m, q) float
            Of any unit [-].

        Returns
        -------
        (n,) float
            In the same unit [-].
        """
        at_nodes = (self._to_nodes @ values[:, :, None])[:, :, 0]
        weight = np.repeat(self.volume_mm3.sum(axis=1)[:, None], 6, axis=1)
        total = np.bincount(self.elements.ravel(), (at_nodes * weight).ravel(), len(self.nodes_mm))
        return np.asarray(total / np.bincount(self.elements.ravel(), weight.ravel(), len(self.nodes_mm)))

    def nodal_force(self, moved_mm: Floats) -> Floats:
        """Force that holds every node where it is, (n, 2) float [N].

        Parameters
        ----------
        moved_mm : (n, 2) float
            Displacement of every node [mm].
        """
        return self._inner(self._slope(moved_mm))

    def energy(self, moved_mm: Floats) -> Floats:
        """Strain energy of each triangle (m,) [N mm].

        Parameters
        ----------
        moved_mm : (n, 2) float
            Displacement of every node [mm].
        """
        strain = self.strain(moved_mm)
        return np.asarray(
            np.asarray(0.5 * ((strain @ self._elastic) * strain).sum(axis=2) * self.volume_mm3).sum(axis=1)
        )

    def tangent(self, moved_mm: Floats) -> csc_array:
        """Stiffness against small further displacements, rows x and y of each node in turn, (2n, 2n) [N/mm].

        Parameters
        ----------
        moved_mm : (n, 2) float
            Displacement of every node [mm].
        """
        slope = self._slope(moved_mm)
        every = _Pattern(self._freedoms, np.arange(2 * len(self.nodes_mm)))
        return every.matrix(self._stiffness(slope, self._strain(slope) @ self._elastic))

    def linear(self, held: Ints, held_to_mm: Floats, load_N: Floats | None = None) -> tuple[Floats, Floats]:  # noqa: N803
        """Small displacements from rest and the forces that go with them.

        Parameters
        ----------
        held : (h,) int
            Freedoms that are prescribed: twice the node, plus one for y [-].
        held_to_mm : (h,) float
            Where they are [mm].
        load_N : (n, 2) float, optional
            Loads on the nodes [N].

        Returns
        -------
        moved_mm : (n, 2) float
            Displacement of every node [mm].
        force_N : (n, 2) float
            Force on every node from outside [N].

        Raises
        ------
        SetupError
            When the body can move freely.
        """
        moved = np.zeros(2 * len(self.nodes_mm))
        moved[held] = held_to_mm
        slope = np.broadcast_to(np.eye(2), (*self.volume_mm3.shape, 2, 2))
        stiffness = self._stiffness(slope, np.zeros((*self.volume_mm3.shape, 3)))
        free = _Pattern(self._freedoms, np.setdiff1d(np.arange(len(moved)), held))
        load = np.zeros(len(moved)) if load_N is None else np.asarray(load_N, dtype=float).ravel()
        moved[free.free] = free.factors(stiffness).solve((load - self._pulled(stiffness, moved))[free.free])
        return moved.reshape(-1, 2), self._pulled(stiffness, moved).reshape(-1, 2)

    def path(
        self,
        held: Ints,
        held_to_mm: Floats,
        load_N: Floats | None = None,  # noqa: N803
    ) -> States:
        """Displacements along a path of prescribed ones, with loads that keep their direction.

        Parameters
        ----------
        held : (h,) int
            Freedoms that are prescribed: twice the node, plus one for y [-].
        held_to_mm : (k, h) float
            Where they are at each step, from rest as drawn [mm].
        load_N : (k, n, 2) float, optional
            Loads on the nodes at each step [N].

        Returns
        -------
        States
            One for each step.

        Raises
        ------
        SetupError
            When a step finds no balance however short it is made.
        """
        loads = np.zeros((len(held_to_mm), 2 * len(self.nodes_mm)))
        if load_N is not None:
            loads = np.asarray(load_N, dtype=float).reshape(loads.shape)
        free = np.setdiff1d(np.arange(2 * len(self.nodes_mm)), held)
        pattern = _Pattern(self._freedoms, free)
        state = _State(np.zeros(2 * len(self.nodes_mm)), np.zeros((*self.volume_mm3.shape, 3)))
        moved, force = [], []
        held_now, load_now = np.zeros(len(held)), np.zeros(2 * len(self.nodes_mm))
        for held_next, load_next in zip(held_to_mm, loads, strict=True):
            state = self._advanced(state, pattern, held, (held_now, held_next), (load_now, load_next), _HALVINGS)
            held_now, load_now = held_next, load_next
            moved.append(state.moved.reshape(-1, 2))
            force.append(self.nodal_force(moved[-1]))
        energy = np.array([self.energy(step).sum() for step in moved])
        return States(np.array(moved), np.array(force), energy)

    def _advanced(
        self,
        state: "_State",
        pattern: "_Pattern",
        held: Ints,
        held_mm: tuple[Floats, Floats],
        load: tuple[Floats, Floats],
        halvings: int,
    ) -> "_State":
        """The balance at the end of a step, which is halved as often as it must be."""
        done = self._balanced(state, pattern, held, held_mm[1], load[1])
        if done is not None:
            return done
        if not halvings:
            raise SetupError(
                "the flexure model finds no balance at this stroke; the part may buckle there: give a shorter stroke"
            )
        middle_mm, middle = (held_mm[0] + held_mm[1]) / 2, (load[0] + load[1]) / 2
        state = self._advanced(state, pattern, held, (held_mm[0], middle_mm), (load[0], middle), halvings - 1)
        return self._advanced(state, pattern, held, (middle_mm, held_mm[1]), (middle, load[1]), halvings - 1)

    def _balanced(
        self, state: "_State", pattern: "_Pattern", held: Ints, held_to: Floats, load: Floats
    ) -> "_State | None":
        moved, stress = state.moved.copy(), state.stress
        jump = np.zeros_like(moved)
        jump[held] = held_to - moved[held]
        smallest = np.inf
        for turn in range(_ITERATIONS):
            slope = self._slope(moved.reshape(-1, 2))
            inner = self._inner(slope).ravel()
            out_of_balance = (load - inner)[pattern.free]
            if turn:
                error, scale = np.abs(out_of_balance).max(initial=0.0), np.abs(inner).max()
                if error <= _BALANCED * scale * (1 if turn <= _PATIENCE else 100):
                    return _State(moved, self._strain(slope) @ self._elastic)
                if not np.isfinite(error) or (turn > _PATIENCE + 2 and error > smallest):
                    return None
                smallest = min(smallest, error)
            stiffness = self._stiffness(slope, stress)
            if turn == 0:
                out_of_balance = out_of_balance - self._pulled(stiffness, jump)[pattern.free]
            step = jump if turn == 0 else np.zeros_like(moved)
            step[pattern.free] = pattern.factors(stiffness).solve(out_of_balance)
            growth = self._slope(step.reshape(-1, 2)) - np.eye(2)
            turned = np.swapaxes(slope, 2, 3) @ growth
            stress = (self._strain(slope) + _voigt(turned + np.swapaxes(turned, 2, 3), 0.5)) @ self._elastic
            moved = moved + step
        return None

    def _pulled(self, stiffness: Floats, moved: Floats) -> Floats:
        """Forces that a displacement makes through the matrices of the triangles."""
        nodal = (stiffness @ moved[self._freedoms][:, :, None])[:, :, 0]
        return np.asarray(np.bincount(self._freedoms.ravel(), nodal.ravel(), len(moved)), dtype=float)

    def _slope(self, moved_mm: Floats) -> Floats:
        """Deformation gradient (m, q, 2, 2)."""
        return np.asarray(np.eye(2) + np.swapaxes(moved_mm[self.elements], 1, 2)[:, None] @ self._gradient)

    def _strain(self, slope: Floats) -> Floats:
        return _voigt(np.swapaxes(slope, 2, 3) @ slope - np.eye(2), 0.5)

    def _inner(self, slope: Floats) -> Floats:
        stress = self._strain(slope) @ self._elastic * self.volume_mm3[:, :, None]
        pulled = (slope @ _matrix(stress)) @ np.swapaxes(self._gradient, 2, 3)
        nodal = pulled.sum(axis=1)
        count = len(self.nodes_mm)
        return np.column_stack([np.bincount(self.elements.ravel(), nodal[:, axis].ravel(), count) for axis in (0, 1)])

    def _stiffness(self, slope: Floats, stress: Floats) -> Floats:
        """Tangent of each triangle (m, 12, 12)."""
        count, points = self.volume_mm3.shape
        gx, gy = self._gradient[..., 0, None], self._gradient[..., 1, None]
        fx, fy = slope[:, :, None, :, 0], slope[:, :, None, :, 1]
        rows = np.stack([gx * fx, gy * fy, gx * fy + gy * fx], axis=2).reshape(count, points, 3, 12)
        loaded = (self._elastic @ rows) * self.volume_mm3[:, :, None, None]
        material = np.swapaxes(rows.reshape(count, -1, 12), 1, 2) @ loaded.reshape(count, -1, 12)
        carried = self._gradient @ _matrix(stress * self.volume_mm3[:, :, None]) @ np.swapaxes(self._gradient, 2, 3)
        geometric = carried.sum(axis=1)
        material[:, 0::2, 0::2] += geometric
        material[:, 1::2, 1::2] += geometric
        return np.asarray(material)


@dataclass(frozen=True, eq=False)
class _State:
    moved: Floats
    stress: Floats


class _Pattern:
    """Where the entries of the triangles' matrices go in the matrix of the free ones."""

    def __init__(self, freedoms: Ints, free: Ints) -> None:
        self.free = free
        place = np.full(int(freedoms.max()) + 1, -1)
        place[free] = np.arange(len(free))
        local = place[freedoms]
        rows = np.repeat(local[:, :, None], 12, axis=2).ravel()
        columns = np.repeat(local[:, None, :], 12, axis=1).ravel()
        self._inner = np.flatnonzero((rows >= 0) & (columns >= 0))
        code = columns[self._inner] * len(free) + rows[self._inner]
        unique, self._slot = np.unique(code, return_inverse=True)
        self._rows = (unique % len(free)).astype(np.int32)
        self._starts = np.searchsorted(unique, np.arange(len(free) + 1) * len(free)).astype(np.int32)

    def matrix(self, element_matrices: Floats) -> csc_array:
        data = np.bincount(self._slot, element_matrices.ravel()[self._inner], len(self._rows))
        return csc_array((data, self._rows, self._starts), shape=(len(self.free), len(self.free)))

    def factors(self, element_matrices: Floats) -> SuperLU:
        try:
            return splu(
                self.matrix(element_matrices),
                permc_spec="MMD_AT_PLUS_A",
                diag_pivot_thresh=0.0,
                options={"SymmetricMode": True},
            )
        except RuntimeError:
            raise SetupError(
                "the flexure model moves freely; hold a region of the part that carries the flexures"
            ) from None


def _voigt(tensor: Floats, factor: float) -> Floats:
    """Components xx, yy and twice xy of symmetric matrices times a factor [-]."""
    return factor * np.stack([tensor[..., 0, 0], tensor[..., 1, 1], tensor[..., 0, 1] + tensor[..., 1, 0]], axis=-1)


def _matrix(stress: Floats) -> Floats:
    """Symmetric matrices of components xx, yy and xy."""
    return stress[..., [0, 2, 2, 1]].reshape(*stress.shape[:-1], 2, 2)
