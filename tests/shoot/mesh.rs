//! Triangle meshes and the ways of making them: a bent sheet, a tube along a path, a ball.

use crate::vector::{V3, v};

/// Corners with a normal and two surface coordinates each, and triangles between them.
#[derive(Clone, Debug, Default)]
pub struct Mesh {
    pub points: Vec<V3>,
    pub normals: Vec<V3>,
    pub uvs: Vec<[f32; 2]>,
    pub triangles: Vec<[u32; 3]>,
}

/// Whether the last column of a sheet joins the first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Seam {
    Open,
    Joined,
}

/// A turn followed by a shift.
#[derive(Clone, Copy, Debug)]
pub struct Pose {
    pub columns: [V3; 3],
    pub at: V3,
}

impl Pose {
    /// Turned by degrees about x, then y, then z, and moved to `at`.
    pub fn turned(degrees: V3, at: V3) -> Pose {
        let turn = |p: V3| {
            let rad = std::f32::consts::PI / 180.0;
            let spin = |a: f32, b: f32, angle: f32| {
                let (s, c) = (libm::sinf(angle * rad), libm::cosf(angle * rad));
                (a * c - b * s, a * s + b * c)
            };
            let (y, z) = spin(p.y, p.z, degrees.x);
            let (z, x) = spin(z, p.x, degrees.y);
            let (x, y) = spin(x, y, degrees.z);
            v(x, y, z)
        };
        Pose {
            columns: [
                turn(v(1.0, 0.0, 0.0)),
                turn(v(0.0, 1.0, 0.0)),
                turn(v(0.0, 0.0, 1.0)),
            ],
            at,
        }
    }

    pub fn direction(&self, d: V3) -> V3 {
        self.columns[0] * d.x + self.columns[1] * d.y + self.columns[2] * d.z
    }

    pub fn point(&self, p: V3) -> V3 {
        self.direction(p) + self.at
    }
}

impl Mesh {
    /// A sheet of `nu` by `nv` cells; `shape` maps (u, v) in 0..1 to a point and its surface coordinates.
    /// Normals look along (d/du) x (d/dv).
    pub fn sheet(nu: u32, nv: u32, seam: Seam, shape: impl Fn(f32, f32) -> (V3, [f32; 2])) -> Mesh {
        let columns = if seam == Seam::Joined { nu } else { nu + 1 };
        let mut mesh = Mesh::default();
        for j in 0..=nv {
            for i in 0..columns {
                let (point, uv) = shape(i as f32 / nu as f32, j as f32 / nv as f32);
                mesh.points.push(point);
                mesh.uvs.push(uv);
            }
        }
        for j in 0..nv {
            for i in 0..nu {
                let (a, b) = (j * columns + i, j * columns + (i + 1) % columns);
                let (c, d) = (a + columns, b + columns);
                mesh.triangles.push([a, b, d]);
                mesh.triangles.push([a, d, c]);
            }
        }
        mesh.smooth();
        mesh
    }

    /// A round tube along `path` with `radius` at each point of it, closed where the radius is 0.
    pub fn tube(path: &[V3], radius: &[f32], sides: u32) -> Mesh {
        let last = path.len() - 1;
        let mut frames: Vec<(V3, V3)> = Vec::with_capacity(path.len());
        for i in 0..=last {
            let along = (path[(i + 1).min(last)] - path[i.saturating_sub(1)]).unit();
            let across = match frames.last() {
                None => along.basis().0,
                Some(&(previous, _)) => (previous - along * previous.dot(along)).unit(),
            };
            frames.push((across, along.cross(across)));
        }
        Mesh::sheet(sides, last as u32, Seam::Joined, |u, w| {
            let i = (w * last as f32 + 0.5) as usize;
            let angle = u * std::f32::consts::TAU;
            let (a, b) = frames[i];
            (
                path[i] + (a * libm::cosf(angle) + b * libm::sinf(angle)) * radius[i],
                [u, w],
            )
        })
    }

    /// An ellipsoid about the origin.
    pub fn ball(radii: V3, rings: u32) -> Mesh {
        Mesh::sheet(rings * 2, rings, Seam::Joined, |u, w| {
            let (a, b) = (u * std::f32::consts::TAU, (1.0 - w) * std::f32::consts::PI);
            let ring = libm::sinf(b);
            (
                v(ring * libm::sinf(a), libm::cosf(b), ring * libm::cosf(a)) * radii,
                [u, w],
            )
        })
    }

    pub fn posed(mut self, pose: &Pose) -> Mesh {
        for p in &mut self.points {
            *p = pose.point(*p);
        }
        for n in &mut self.normals {
            *n = pose.direction(*n);
        }
        self
    }

    pub fn append(&mut self, other: Mesh) {
        let first = self.points.len() as u32;
        self.points.extend(other.points);
        self.normals.extend(other.normals);
        self.uvs.extend(other.uvs);
        self.triangles
            .extend(other.triangles.iter().map(|t| t.map(|i| i + first)));
    }

    /// Normals from the faces around each corner, large faces counting more.
    pub fn smooth(&mut self) {
        self.normals = vec![V3::ZERO; self.points.len()];
        for t in &self.triangles {
            let [a, b, c] = t.map(|i| self.points[i as usize]);
            let face = (b - a).cross(c - a);
            for &i in t {
                self.normals[i as usize] += face;
            }
        }
        for n in &mut self.normals {
            *n = n.unit();
        }
    }
}

/// Points of a cubic spline (Catmull and Rom) through `knots`, `steps` to a span.
pub fn spline(knots: &[V3], steps: usize) -> Vec<V3> {
    let last = knots.len() - 1;
    let mut points = Vec::with_capacity(last * steps + 1);
    for i in 0..last {
        let (a, b, c, d) = (
            knots[i.saturating_sub(1)],
            knots[i],
            knots[i + 1],
            knots[(i + 2).min(last)],
        );
        for s in 0..steps {
            let t = s as f32 / steps as f32;
            let p = b * 2.0
                + (c - a) * t
                + (a * 2.0 - b * 5.0 + c * 4.0 - d) * (t * t)
                + (b * 3.0 - a - c * 3.0 + d) * (t * t * t);
            points.push(p * 0.5);
        }
    }
    points.push(knots[last]);
    points
}
