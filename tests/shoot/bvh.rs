//! Which triangle a ray meets first: a bounding volume hierarchy built by binned surface area.

use crate::mesh::Mesh;
use crate::vector::V3;

#[derive(Clone, Debug)]
struct Triangle {
    a: V3,
    ab: V3,
    ac: V3,
    normals: [V3; 3],
    uvs: [[f32; 2]; 3],
    body: u16,
}

#[derive(Clone, Copy, Debug)]
struct Node {
    low: V3,
    high: V3,
    /// Leaf: first triangle. Branch: the left child; the right one follows it.
    first: u32,
    /// Triangles of a leaf; 0 for a branch.
    count: u32,
}

/// Where a ray meets a mesh.
#[derive(Clone, Copy, Debug)]
pub struct Strike {
    pub t: f32,
    /// Interpolated normal, on the side the mesh calls outside.
    pub normal: V3,
    /// The triangle's own normal, same side.
    pub face: V3,
    pub uv: [f32; 2],
    pub body: u16,
}

/// Meshes ready to be asked.
#[derive(Clone, Debug, Default)]
pub struct Bvh {
    triangles: Vec<Triangle>,
    nodes: Vec<Node>,
}

const BINS: usize = 12;

impl Bvh {
    /// Each mesh with the number of the body it belongs to.
    pub fn new(meshes: &[(u16, Mesh)]) -> Bvh {
        let mut triangles = Vec::new();
        for (body, mesh) in meshes {
            for t in &mesh.triangles {
                let [a, b, c] = t.map(|i| mesh.points[i as usize]);
                if (b - a).cross(c - a).length() > 1e-12 {
                    let normals = t.map(|i| mesh.normals[i as usize]);
                    let uvs = t.map(|i| mesh.uvs[i as usize]);
                    triangles.push(Triangle {
                        a,
                        ab: b - a,
                        ac: c - a,
                        normals,
                        uvs,
                        body: *body,
                    });
                }
            }
        }
        let mut bvh = Bvh {
            nodes: Vec::with_capacity(triangles.len()),
            triangles,
        };
        if !bvh.triangles.is_empty() {
            bvh.nodes.push(Node {
                low: V3::ZERO,
                high: V3::ZERO,
                first: 0,
                count: bvh.triangles.len() as u32,
            });
            bvh.split(0);
        }
        bvh
    }

    fn split(&mut self, at: usize) {
        let (first, count) = (self.nodes[at].first as usize, self.nodes[at].count as usize);
        let own = &mut self.triangles[first..first + count];
        let far = V3::splat(f32::INFINITY);
        let (low, high) = own
            .iter()
            .fold((far, -far), |(l, h), t| (l.min(t.low()), h.max(t.high())));
        let (near, wide) = own.iter().fold((far, -far), |(l, h), t| {
            (l.min(t.centre()), h.max(t.centre()))
        });
        self.nodes[at].low = low;
        self.nodes[at].high = high;
        if count <= 4 {
            return;
        }
        let Some((axis, plane)) = best_plane(own, near, wide, area(low, high) * count as f32)
        else {
            return;
        };
        own.sort_by_key(|t| t.bin(axis, near, wide) > plane);
        let middle = own
            .iter()
            .filter(|t| t.bin(axis, near, wide) <= plane)
            .count();
        let left = self.nodes.len();
        for (first, count) in [(first, middle), (first + middle, count - middle)] {
            self.nodes.push(Node {
                low,
                high,
                first: first as u32,
                count: count as u32,
            });
        }
        self.nodes[at].first = left as u32;
        self.nodes[at].count = 0;
        self.split(left);
        self.split(left + 1);
    }

    /// The nearest meeting between `near` and `far`; `keep` may refuse a place (a hole in a sheet).
    pub fn strike(
        &self,
        from: V3,
        d: V3,
        near: f32,
        far: f32,
        keep: impl Fn(u16, [f32; 2]) -> bool,
    ) -> Option<Strike> {
        if self.nodes.is_empty() {
            return None;
        }
        let inverse = V3 {
            x: 1.0 / d.x,
            y: 1.0 / d.y,
            z: 1.0 / d.z,
        };
        enter(&self.nodes[0], from, inverse, far)?;
        let mut stack = [(0u32, 0.0f32); 64];
        let (mut top, mut limit, mut best) = (1, far, None);
        while top > 0 {
            top -= 1;
            let (at, begins) = stack[top];
            if begins >= limit {
                continue;
            }
            let node = &self.nodes[at as usize];
            if node.count > 0 {
                for t in &self.triangles[node.first as usize..(node.first + node.count) as usize] {
                    if let Some(strike) = t.strike(from, d, near, limit)
                        && keep(strike.body, strike.uv)
                    {
                        limit = strike.t;
                        best = Some(strike);
                    }
                }
                continue;
            }
            let (left, right) = (node.first, node.first + 1);
            let l = enter(&self.nodes[left as usize], from, inverse, limit);
            let r = enter(&self.nodes[right as usize], from, inverse, limit);
            let order = match (l, r) {
                (Some(a), Some(b)) if a < b => [Some((right, b)), Some((left, a))],
                (Some(a), Some(b)) => [Some((left, a)), Some((right, b))],
                (a, b) => [a.map(|a| (left, a)), b.map(|b| (right, b))],
            };
            for child in order.into_iter().flatten() {
                stack[top] = child;
                top += 1;
            }
        }
        best
    }
}

fn area(low: V3, high: V3) -> f32 {
    let d = high - low;
    d.x * d.y + d.y * d.z + d.z * d.x
}

fn best_plane(own: &[Triangle], near: V3, wide: V3, whole: f32) -> Option<(usize, usize)> {
    let mut best = (if own.len() > 16 { f32::INFINITY } else { whole }, None);
    for axis in 0..3 {
        if wide.axis(axis) - near.axis(axis) < 1e-6 {
            continue;
        }
        let far = V3::splat(f32::INFINITY);
        let mut bins = [(far, -far, 0usize); BINS];
        for t in own {
            let bin = &mut bins[t.bin(axis, near, wide)];
            *bin = (bin.0.min(t.low()), bin.1.max(t.high()), bin.2 + 1);
        }
        for plane in 0..BINS - 1 {
            let side = |part: &[(V3, V3, usize)]| {
                let s = part.iter().fold((far, -far, 0), |s, b| {
                    (s.0.min(b.0), s.1.max(b.1), s.2 + b.2)
                });
                if s.2 == 0 {
                    None
                } else {
                    Some(area(s.0, s.1) * s.2 as f32)
                }
            };
            if let (Some(a), Some(b)) = (side(&bins[..=plane]), side(&bins[plane + 1..]))
                && a + b < best.0
            {
                best = (a + b, Some((axis, plane)));
            }
        }
    }
    best.1
}

/// How far along the ray the box begins, if the ray meets it before `limit`.
fn enter(node: &Node, from: V3, inverse: V3, limit: f32) -> Option<f32> {
    let (a, b) = ((node.low - from) * inverse, (node.high - from) * inverse);
    let (near, far) = (a.min(b), a.max(b));
    let start = near.largest().max(0.0);
    let end = far.x.min(far.y).min(far.z) * 1.000_01;
    (start <= end && start < limit).then_some(start)
}

impl Triangle {
    fn low(&self) -> V3 {
        self.a.min(self.a + self.ab).min(self.a + self.ac)
    }

    fn high(&self) -> V3 {
        self.a.max(self.a + self.ab).max(self.a + self.ac)
    }

    fn centre(&self) -> V3 {
        (self.low() + self.high()) * 0.5
    }

    fn bin(&self, axis: usize, near: V3, wide: V3) -> usize {
        let (a, b) = (near.axis(axis), wide.axis(axis));
        (((self.centre().axis(axis) - a) / (b - a) * BINS as f32) as usize).min(BINS - 1)
    }

    /// Moeller and Trumbore.
    fn strike(&self, from: V3, d: V3, near: f32, far: f32) -> Option<Strike> {
        let p = d.cross(self.ac);
        let det = self.ab.dot(p);
        if det.abs() < 1e-12 {
            return None;
        }
        let (inverse, s) = (1.0 / det, from - self.a);
        let u = s.dot(p) * inverse;
        let q = s.cross(self.ab);
        let w = d.dot(q) * inverse;
        let t = self.ac.dot(q) * inverse;
        if u < 0.0 || w < 0.0 || u + w > 1.0 || t <= near || t >= far {
            return None;
        }
        let k = [1.0 - u - w, u, w];
        let [n0, n1, n2] = self.normals;
        let mix = |i: usize| self.uvs[0][i] * k[0] + self.uvs[1][i] * k[1] + self.uvs[2][i] * k[2];
        let normal = (n0 * k[0] + n1 * k[1] + n2 * k[2]).unit();
        let face = self.ab.cross(self.ac).unit();
        Some(Strike {
            t,
            normal,
            face,
            uv: [mix(0), mix(1)],
            body: self.body,
        })
    }
}
