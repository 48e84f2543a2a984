//! The studio: table, painted backdrop, soft boxes, what stands on the table, and what hangs in the air.

use crate::bvh::{Bvh, Strike};
use crate::mesh::Mesh;
use crate::noise;
use crate::surface::{Body, Paint, Surface};
use crate::vector::{V3, smooth, v};

/// The table's back edge and the backdrop, mm behind the bottle.
const TABLE_END: f32 = -430.0;
const WALL: f32 = -900.0;

/// A soft box: a bright rectangle that falls off toward its edges and shines to one side.
#[derive(Clone, Debug)]
pub struct Light {
    pub centre: V3,
    /// From the centre to the middle of two neighbouring sides.
    pub half: [V3; 2],
    pub normal: V3,
    pub radiance: V3,
    /// How much darker the corners are than the middle, 0..1.
    pub fall: f32,
    pub area: f32,
}

impl Light {
    pub fn facing(centre: V3, target: V3, size: [f32; 2], radiance: V3, fall: f32) -> Light {
        let normal = (target - centre).unit();
        let across = v(0.0, 1.0, 0.0).cross(normal).unit();
        let up = normal.cross(across);
        Light {
            centre,
            half: [across * (size[0] * 0.5), up * (size[1] * 0.5)],
            normal,
            radiance,
            fall,
            area: size[0] * size[1],
        }
    }

    /// What leaves the box at (a, b), each -1..1.
    pub fn shine(&self, a: f32, b: f32) -> V3 {
        let rim = smooth(1.0, 0.93, a.abs()) * smooth(1.0, 0.93, b.abs());
        self.radiance * ((1.0 - self.fall * 0.5 * (a * a + b * b)) * (0.25 + 0.75 * rim))
    }

    fn meet(&self, from: V3, d: V3) -> Option<(f32, V3)> {
        let facing = d.dot(self.normal);
        if facing >= -1e-6 {
            return None;
        }
        let t = (self.centre - from).dot(self.normal) / facing;
        let p = from + d * t - self.centre;
        let on = |h: V3| p.dot(h) / h.dot(h);
        let (a, b) = (on(self.half[0]), on(self.half[1]));
        (t > 0.0 && a.abs() < 1.0 && b.abs() < 1.0).then(|| (t, self.shine(a, b)))
    }
}

/// Meshes that belong together, with their bodies.
#[derive(Clone, Debug, Default)]
pub struct Thing {
    pub bvh: Bvh,
    pub bodies: Vec<Body>,
}

impl Thing {
    pub fn new(parts: Vec<(Body, Mesh)>) -> Thing {
        let bodies = parts.iter().map(|p| p.0).collect();
        let meshes: Vec<(u16, Mesh)> = parts
            .into_iter()
            .enumerate()
            .map(|(i, p)| (i as u16, p.1))
            .collect();
        Thing {
            bvh: Bvh::new(&meshes),
            bodies,
        }
    }

    pub fn strike(&self, from: V3, d: V3, near: f32, far: f32) -> Option<Strike> {
        self.bvh.strike(from, d, near, far, |body, uv| {
            self.bodies[body as usize].hole.is_none_or(|hole| !hole(uv))
        })
    }
}

/// Which of the three a body belongs to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Layer {
    Set,
    Piece,
    Rod,
}

/// What a ray meets.
#[derive(Clone, Copy, Debug)]
pub enum Meeting {
    Solid {
        strike: Strike,
        surface: Surface,
        layer: Layer,
    },
    /// A soft box, which matt surfaces sample by themselves.
    Lamp { number: usize, shine: V3 },
    /// Backdrop or dark room.
    Glow(V3),
}

/// Everything in the studio.
#[derive(Clone, Debug)]
pub struct World {
    pub set: Thing,
    pub piece: Thing,
    pub rod: Thing,
    pub lights: [Light; 4],
}

impl World {
    /// The first thing from `from` along `d`, and how far off. `hung` says whether piece and rod are there.
    pub fn meet(&self, from: V3, d: V3, near: f32, hung: bool) -> (f32, Meeting) {
        self.first_of(from, d, near, if hung { 3 } else { 1 })
    }

    /// The same with the piece there, and no rod before it.
    pub fn meet_past_rod(&self, from: V3, d: V3) -> (f32, Meeting) {
        self.first_of(from, d, 0.0, 2)
    }

    /// Of the set, then the piece, then the rod: so many are there.
    fn first_of(&self, from: V3, d: V3, near: f32, things: usize) -> (f32, Meeting) {
        let (mut far, mut first) = (f32::INFINITY, First::Void);
        if d.z < 0.0 {
            let t = (WALL - from.z) / d.z;
            if t > near {
                (far, first) = (t, First::Wall);
            }
        }
        for (number, light) in self.lights.iter().enumerate() {
            if let Some((t, shine)) = light.meet(from, d)
                && t > near
                && t < far
            {
                (far, first) = (t, First::Lamp(number, shine));
            }
        }
        if d.y < 0.0 {
            let t = -from.y / d.y;
            if t > near && t < far && from.z + d.z * t > TABLE_END {
                (far, first) = (t, First::Table);
            }
        }
        let all = [
            (&self.set, Layer::Set),
            (&self.piece, Layer::Piece),
            (&self.rod, Layer::Rod),
        ];
        for (thing, layer) in &all[..things] {
            if let Some(strike) = thing.strike(from, d, near, far) {
                let surface = thing.bodies[strike.body as usize].surface;
                (far, first) = (
                    strike.t,
                    First::Thing(Meeting::Solid {
                        strike,
                        surface,
                        layer: *layer,
                    }),
                );
            }
        }
        // What a surface looks like is worked out only for the one that is met.
        let meeting = match first {
            First::Void => Meeting::Glow(void(d)),
            First::Wall => Meeting::Glow(backdrop(from + d * far)),
            First::Lamp(number, shine) => Meeting::Lamp { number, shine },
            First::Table => Meeting::Solid {
                strike: tabletop(from + d * far, far),
                surface: TABLE,
                layer: Layer::Set,
            },
            First::Thing(meeting) => meeting,
        };
        (far, meeting)
    }
}

enum First {
    Void,
    Wall,
    Lamp(usize, V3),
    Table,
    Thing(Meeting),
}

const TABLE: Surface = Surface::Coated {
    paint: Paint::Table,
    sheen: 0.043,
    roughness: 0.15,
};

/// The varnish is not quite flat: long waves and the grain below it telegraph through.
fn tabletop(p: V3, t: f32) -> Strike {
    let at = |dx: f32, dz: f32| {
        let (x, z) = (p.x + dx, p.z + dz);
        0.020 * noise::layered(x * 0.021, z * 0.021, 31, 2)
            + 0.0012 * noise::value(x * 0.02, z * 0.9, 32)
    };
    let here = at(0.0, 0.0);
    let normal = v(here - at(0.6, 0.0), 0.6, here - at(0.0, 0.6)).unit();
    Strike {
        t,
        normal,
        face: v(0.0, 1.0, 0.0),
        uv: [p.x, p.z],
        body: 0,
    }
}

/// A canvas painted by hand, lit by one lamp from below and the left.
fn backdrop(p: V3) -> V3 {
    let (x, y) = ((p.x - 60.0) / 150.0, (p.y - 40.0) / 165.0);
    let lamp = libm::expf(-0.5 * (x * x + y * y));
    let cloud = noise::layered(p.x * 0.0075, p.y * 0.0065, 41, 3);
    let warm = v(0.500, 0.425, 0.335) * lamp + v(0.036, 0.034, 0.034);
    warm * (1.0 + 0.30 * cloud)
}

/// The dark room around the set.
fn void(d: V3) -> V3 {
    v(0.050, 0.048, 0.046) * (1.0 + 0.9 * d.y + 0.5 * d.z)
}
