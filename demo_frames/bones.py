"""Bones of an invented patient: pelvis with a pincer rim, femur, and the rim burred back.

The shape starts from the data package's mean, is varied by the package's own modes and by a smooth
random field, and is then worked on as a solid: the roof is continued past its lip by a curved
ledge (the pincer), the socket is reamed to a sphere, and each burr pass cuts the ledge back.

Frame: that of :mod:`tracker.pelvis` (left hip; mm; x to the patient's left, y to the back, z up).
"""

import io
import pickle
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import manifold3d
import numpy as np
import scipy.sparse
import scipy.spatial
import trimesh
from numpy.typing import NDArray

from tracker.patches import Surface, vertex_normals
from tracker.pelvis import GenericPelvis, bone_nodes, bone_surface, generic_pelvis_of

Floats = NDArray[np.float64]

# Opening of the socket: lateral, forwards and down.  Azimuth 0 is its highest point, +90 in front.
OPENING = np.array([0.80, -0.35, -0.48]) / np.linalg.norm([0.80, -0.35, -0.48])
JOINT_SPACE_MM = 2.5


class _ArraysOnly(pickle.Unpickler):
    """Admits numpy arrays and nothing else."""

    def find_class(self, module: str, name: str) -> Any:
        allowed = {("multiarray", "_reconstruct"), ("numpy", "ndarray"), ("numpy", "dtype")}
        if (module.split(".")[-1], name) not in allowed:
            raise pickle.UnpicklingError(f"{module}.{name} is not an array")
        return super().find_class(module.replace("numpy.core", "numpy._core"), name)


def random_shape(
    rng: np.random.Generator, modes_sd: float, field_mm: float
) -> tuple[Floats, Floats]:
    """Return pelvis and femur nodes of a random adult, (N, 3) and (M, 3).

    Parameters
    ----------
    rng : numpy.random.Generator
    modes_sd : float
        Standard deviation of the shape modes' scores (1 = as in the package's people).
    field_mm : float
        Standard deviation of a smooth displacement (length scale 40 mm) that no mode contains.
    """
    pelvis, femur = bone_nodes("pelvis"), bone_nodes("femur")
    source = files("musculoskeletal.models") / "shape_models" / "LLP26_rigid.pc"
    model = _ArraysOnly(io.BytesIO(source.read_bytes()), encoding="latin1").load()
    scores = np.clip(rng.standard_normal(len(model["weights"])), -1.5, 1.5) * modes_sd
    change = (model["modes"] @ (scores * np.sqrt(model["weights"]))).reshape(3, -1).T
    count = len(pelvis)
    return (
        _wobble(pelvis + change[:count], rng, field_mm),
        _wobble(femur + change[count : count + len(femur)], rng, 0.5 * field_mm),
    )


def _wobble(points: Floats, rng: np.random.Generator, field_mm: float) -> Floats:
    """Move points by a smooth random field: random waves of about 40 mm length scale."""
    waves = 24
    direction = rng.normal(size=(waves, 3)) / 40.0
    phase = rng.uniform(0.0, 2.0 * np.pi, waves)
    push = rng.normal(size=(waves, 3)) * field_mm * np.sqrt(2.0 / waves)
    moved: Floats = points + np.sin(points @ direction.T + phase) @ push
    return moved


# --- solids ------------------------------------------------------------------------------


def _solid(surface: Surface) -> manifold3d.Manifold:
    mesh = manifold3d.Mesh(
        vert_properties=surface.vertices_mm.astype(np.float32),
        tri_verts=surface.triangles.astype(np.uint32),
    )
    solid = manifold3d.Manifold(mesh)
    if solid.status() != manifold3d.Error.NoError:
        raise RuntimeError(f"not a solid: {solid.status()}")
    return solid


def _surface(solid: manifold3d.Manifold) -> Surface:
    mesh = solid.to_mesh()
    vertices = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    return Surface(vertices, np.array(mesh.tri_verts, dtype=np.int64))


def _ball(centre: Floats, radius: float) -> manifold3d.Manifold:
    return manifold3d.Manifold.sphere(radius, 220).translate(tuple(centre))


def _axes() -> Floats:
    """Rows: deep into the socket, towards azimuth 0 (up), towards azimuth 90 (front)."""
    deep = -OPENING
    up = np.array([0.0, 0.0, 1.0])
    up = up - (up @ deep) * deep
    up /= np.linalg.norm(up)
    front = np.cross(deep, up)
    if front[1] > 0:
        front = -front
    return np.stack([deep, up, front])


def _direction(polar: Floats, azimuth: Floats) -> Floats:
    """Return unit vectors (..., 3) at polar angles from the socket's depth, in radians."""
    deep, up, front = _axes()
    around = np.cos(azimuth)[..., None] * up + np.sin(azimuth)[..., None] * front
    unit: Floats = np.cos(polar)[..., None] * deep + np.sin(polar)[..., None] * around
    return unit


def _swept(sections: Floats) -> manifold3d.Manifold:
    """Close a tube of cross-sections (K, P, 3) by its two ends."""
    count, points = sections.shape[:2]
    i, j = np.meshgrid(np.arange(count - 1), np.arange(points), indexing="ij")
    a, b = i * points + j, i * points + (j + 1) % points
    c, d = a + points, b + points
    side = np.concatenate([np.stack([a, b, d], -1), np.stack([a, d, c], -1)]).reshape(-1, 3)
    fan = np.stack([np.zeros(points - 2), np.arange(1, points - 1), np.arange(2, points)], -1)
    fan = fan.astype(np.int64)
    triangles = np.concatenate([side, fan[:, ::-1], fan + (count - 1) * points])
    vertices = sections.reshape(-1, 3)
    v0, v1, v2 = (vertices[triangles[:, k]] for k in range(3))
    if np.einsum("ij,ij->i", v0, np.cross(v1, v2)).sum() < 0:
        triangles = triangles[:, ::-1]
    return _solid(Surface(vertices, np.ascontiguousarray(triangles)))


# --- the rim -----------------------------------------------------------------------------


@dataclass(frozen=True)
class RimPlan:
    """How far the rim sticks out, and where and how it is burred.

    Angles are azimuths about the socket's opening in degrees, growing towards the front: the
    ledge's from the opening's highest point, the zone's from the lateral edge (where the lip
    lies level with the socket's centre from front to back).
    """

    extra_mm: float
    ledge_deg: tuple[float, float]
    zone_deg: tuple[float, float]
    depths_mm: tuple[float, ...]
    bevel_deg: float


@dataclass(frozen=True)
class Layered:
    """A bone as its outer surface and the inner surface of its cortex."""

    outer: Surface
    inner: Surface


@dataclass(frozen=True)
class Patient:
    """Pelvis at each state of the rim (0 = before burring) and the femur, seated."""

    socket_centre_mm: Floats
    socket_radius_mm: float
    head_radius_mm: float
    pelvis: tuple[Layered, ...]
    femur: Layered


def _window(azimuth_deg: Floats, low: float, high: float, ramp: float) -> Floats:
    """Return 1 inside an interval, 0 outside, with raised-cosine ramps within it."""
    inside = np.clip(np.minimum(azimuth_deg - low, high - azimuth_deg) / ramp, 0.0, 1.0)
    window: Floats = 0.5 - 0.5 * np.cos(np.pi * inside)
    return window


def _lip_deg(pelvis: Surface, centre: Floats, radius: float, azimuth_deg: Floats) -> Floats:
    """Return the polar angle at which the articular surface ends, along each azimuth."""
    mesh = trimesh.Trimesh(pelvis.vertices_mm, pelvis.triangles, process=False)
    polar = np.arange(50.0, 128.0, 0.5)
    grid_polar, grid_azimuth = np.meshgrid(np.radians(polar), np.radians(azimuth_deg))
    rays = _direction(grid_polar, grid_azimuth).reshape(-1, 3)
    hit, which, _ = mesh.ray.intersects_location(
        np.repeat(centre[None], len(rays), 0), rays, multiple_hits=False
    )
    distance = np.full(len(rays), np.inf)
    distance[which] = np.linalg.norm(hit - centre, axis=1)
    covered = (distance < radius + 4.0).reshape(len(azimuth_deg), len(polar))
    last = covered.shape[1] - 1 - np.argmax(covered[:, ::-1], axis=1)
    lip = np.where(covered.any(axis=1), polar[last], polar[0])
    # The ledge follows the lip's course, not each of its notches.
    kernel = np.hanning(13)
    padded = np.pad(lip, 6, mode="edge")
    smooth: Floats = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    return smooth


def _ledge(
    centre: Floats, radius: float, azimuth_deg: Floats, lip_deg: Floats, plan: RimPlan
) -> tuple[manifold3d.Manifold, Floats]:
    """Continue the roof past its lip; return the solid and the new lip's polar angle."""
    grow = _window(azimuth_deg, *plan.ledge_deg, 45.0)
    reach = lip_deg + np.degrees((-4.0 + (plan.extra_mm + 4.0) * grow) / radius)
    root = lip_deg - 22.0
    # Inner side, rounded tip, outer side; the ledge thins from its root to its tip.
    along = np.concatenate([np.linspace(0, 1, 24), 1.0 + 0.02 * np.sin(np.linspace(0.4, 2.7, 7))])
    along = np.concatenate([along, np.linspace(1, 0, 24)])
    outside = np.concatenate([np.zeros(24), np.linspace(0.1, 0.9, 7), np.ones(24)])
    # Towards the ends of the ledge the root's thickness fades into the bone.
    thick = 2.0 + (1.5 + 5.0 * grow)[:, None] * np.clip(1.0 - along, 0.0, 1.0) ** 0.8
    polar = root[:, None] + (reach - root)[:, None] * along[None, :]
    away = radius - 1.5 + (1.5 + thick) * outside[None, :]
    azimuth = np.broadcast_to(np.radians(azimuth_deg)[:, None], polar.shape)
    sections = centre + away[..., None] * _direction(np.radians(polar), azimuth)
    return _swept(sections), reach


def _cutter(
    centre: Floats,
    radius: float,
    azimuth_deg: Floats,
    lip_deg: Floats,
    plan: RimPlan,
    edge_deg: float,
    depth_mm: float,
    rough_mm: Floats,
) -> manifold3d.Manifold:
    """Everything beyond the burred rim: its near face is the new edge of the bone."""
    low, high = plan.zone_deg[0] + edge_deg, plan.zone_deg[1] + edge_deg
    inside = (azimuth_deg >= low - 3.0) & (azimuth_deg <= high + 3.0)
    azimuth_deg, lip_deg, rough_mm = azimuth_deg[inside], lip_deg[inside], rough_mm[inside]
    window = _window(azimuth_deg, low, high, 30.0)
    depth = -5.0 + (depth_mm + 5.0) * window + rough_mm * window
    start = lip_deg - np.degrees(depth / radius)
    away = np.concatenate([np.linspace(-6, 10, 23), np.full(10, 10.0), np.linspace(10, -6, 23)])
    far = np.concatenate([np.zeros(23), np.linspace(0.05, 0.95, 10), np.ones(23)])
    bevel = -plan.bevel_deg * np.clip(away - 1.5, 0.0, 8.0) / 8.0
    polar = start[:, None] + bevel[None, :] * (1 - far) + 65.0 * far[None, :]
    azimuth = np.broadcast_to(np.radians(azimuth_deg)[:, None], polar.shape)
    away = np.broadcast_to((radius + away)[None, :, None], (*polar.shape, 1))
    return _swept(centre + away * _direction(np.radians(polar), azimuth))


# --- cortex ------------------------------------------------------------------------------


def _neighbour_mean(surface: Surface) -> scipy.sparse.csr_array:
    """Return the matrix that replaces each vertex's value by the mean over its neighbours."""
    a, b, c = surface.triangles.T
    rows, columns = np.concatenate([a, b, c]), np.concatenate([b, c, a])
    size = len(surface.vertices_mm)
    links = scipy.sparse.csr_array((np.ones(len(rows)), (rows, columns)), shape=(size, size))
    links = links + links.T
    return scipy.sparse.diags_array(1.0 / links.sum(axis=1)) @ links


def _blend(surface: Surface, lip: Floats) -> Surface:
    """Smooth a surface within about a centimetre of the lip, so that the ledge grows out of it."""
    distance, _ = scipy.spatial.cKDTree(lip).query(surface.vertices_mm)
    weight = np.exp(-((distance / 9.0) ** 4))[:, None]
    mean, points = _neighbour_mean(surface), surface.vertices_mm
    for _ in range(40):
        points = points + 0.6 * weight * (mean @ points - points)
    return Surface(points, surface.triangles.copy())


def _inset(surface: Surface, thickness_mm: Floats) -> Surface:
    """Move a surface inwards along its normals, smoothed over neighbours so that edges agree."""
    normals, mean = vertex_normals(surface), _neighbour_mean(surface)
    for _ in range(12):
        normals = 0.5 * normals + 0.5 * (mean @ normals)
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 0.2)
    return Surface(surface.vertices_mm - thickness_mm[:, None] * normals, surface.triangles.copy())


def _pelvic_cortex_mm(points: Floats, centre: Floats, radius: float) -> Floats:
    """Cortex of 1 to 1.6 mm, and a dense roof (sourcil) where the joint carries load."""
    away = points - centre
    distance = np.linalg.norm(away, axis=1)
    upward = away[:, 2] / np.maximum(distance, 1e-9)
    roof = np.exp(-(((distance - radius) / 2.0) ** 2)) * np.clip((upward - 0.35) / 0.4, 0, 1)
    low = 1.25 + 0.3 * np.sin(points @ np.array([0.05, 0.03, 0.04]))
    cortex: Floats = low + 1.5 * roof
    return cortex


def _femoral_cortex_mm(points: Floats, head: Floats) -> Floats:
    """Thin over the head, thick down the shaft."""
    below = head[2] - points[:, 2]
    cortex: Floats = 0.8 + 4.2 / (1.0 + np.exp(-(below - 75.0) / 12.0))
    return cortex


# --- the patient -------------------------------------------------------------------------


def make_patient(
    rng: np.random.Generator, plan: RimPlan, *, modes_sd: float = 0.6, field_mm: float = 0.8
) -> Patient:
    """Build the bones of one invented patient, with one pelvis per burr state."""
    pelvis_nodes, femur_nodes = random_shape(rng, modes_sd, field_mm)
    level: GenericPelvis = generic_pelvis_of(
        bone_surface("pelvis", pelvis_nodes, 24), bone_surface("femur", femur_nodes, 26)
    )
    centre, head_radius = np.array(level.socket_centre_mm), level.head_radius_mm
    radius = head_radius + JOINT_SPACE_MM

    # The femur is swung a little about its head and seated in the middle of the socket.
    swing = np.radians(rng.normal(0.0, [3.0, 4.0, 6.0]))
    turn = trimesh.transformations.euler_matrix(*swing)[:3, :3]
    thigh = (level.femur.vertices_mm - level.head_centre_mm) @ turn.T + centre
    femur = Surface(thigh, level.femur.triangles.copy())

    azimuth = np.arange(-110.0, 130.1, 1.5)
    lip = _lip_deg(level.pelvis, centre, radius, azimuth)
    ledge, reach = _ledge(centre, radius, azimuth, lip, plan)
    lip_points = centre + radius * _direction(np.radians(reach), np.radians(azimuth))
    joined = _blend(_surface(_solid(level.pelvis) + ledge), lip_points)
    whole = _solid(joined) - _ball(centre, radius)
    outer = _surface(whole)
    lip = _lip_deg(outer, centre, radius, azimuth)
    depth = np.abs(_direction(np.radians(lip), np.radians(azimuth))[:, 1])
    edge = float(azimuth[np.argmin(np.where(np.abs(azimuth) < 75.0, depth, np.inf))])
    inner = _inset(outer, _pelvic_cortex_mm(outer.vertices_mm, centre, radius))
    inner_solid = _solid(inner)

    states = [Layered(outer, inner)]
    knots = rng.normal(0.0, 0.18, 24)
    for removed in plan.depths_mm:
        # Each pass leaves its own furrows, on top of those that stay from the pass before.
        knots = 0.6 * knots + rng.normal(0.0, 0.14, 24)
        rough = np.interp(azimuth, np.linspace(azimuth[0], azimuth[-1], 24), knots)
        cutter = _cutter(centre, radius, azimuth, lip, plan, edge, removed, rough)
        states.append(Layered(_surface(whole - cutter), _surface(inner_solid - cutter)))

    return Patient(
        socket_centre_mm=centre,
        socket_radius_mm=radius,
        head_radius_mm=head_radius,
        pelvis=tuple(states),
        femur=Layered(femur, _inset(femur, _femoral_cortex_mm(thigh, centre))),
    )
