//! Ink out of its bottle: a crown thrown up from the table with drops around it, and what is left on the table afterwards.

use crate::mesh::Mesh;
use crate::nets::surface;
use crate::noise;
use crate::sampling::{hash, unit};
use crate::surface::{AIR, Body, Medium, Surface};
use crate::vector::{V3, smooth, v};

/// A number in -1..1 for the n-th detail of kind `kind`.
fn chance(kind: u32, n: u32) -> f32 {
    unit(hash(0x1f3d + kind, n)) * 2.0 - 1.0
}

/// Smooth union of two distances, `k` mm wide.
fn join(a: f32, b: f32, k: f32) -> f32 {
    let h = (0.5 + 0.5 * (b - a) / k).clamp(0.0, 1.0);
    b + (a - b) * h - k * h * (1.0 - h)
}

/// Distance to a rod from `a` to `b` that is `ra` thick at one end and `rb` at the other.
fn taper(p: V3, a: V3, b: V3, ra: f32, rb: f32) -> f32 {
    let (pa, ba) = (p - a, b - a);
    let t = (pa.dot(ba) / ba.dot(ba)).clamp(0.0, 1.0);
    (pa - ba * t).length() - (ra + (rb - ra) * t)
}

/// A jet that leaves the crown's rim.
struct Finger {
    foot: V3,
    knee: V3,
    tip: V3,
    angle: f32,
    length: f32,
}

const FINGERS: u32 = 15;
/// The shape below is worked out small; this is how much larger the crown is.
const SIZE: f32 = 1.5;

fn wall(y: f32, angle: f32) -> f32 {
    let lift = (y / 30.0).max(0.0);
    27.0 + 12.0 * lift * lift.sqrt()
        + 1.3 * libm::sinf(angle * 3.0 + 0.7)
        + 0.6 * libm::sinf(angle * 7.0 + y * 0.11)
}

fn fingers() -> Vec<Finger> {
    (0..FINGERS)
        .map(|n| {
            let angle = (n as f32 + 0.32 * chance(1, n)) * std::f32::consts::TAU / FINGERS as f32;
            let length = 7.0 + 8.5 * (1.0 + chance(2, n)) * (0.5 + 0.5 * (1.0 + chance(5, n)));
            let rim = 23.0 + 3.5 * chance(3, n);
            let out = v(libm::sinf(angle), 0.0, libm::cosf(angle));
            let foot = out * wall(rim - 3.0, angle) + v(0.0, rim - 3.0, 0.0);
            let lean = 0.55 + 0.12 * chance(4, n);
            let side = v(out.z, 0.0, -out.x) * (0.16 * chance(6, n));
            let knee = foot + (out * lean + v(0.0, 1.0, 0.0) + side) * (length * 0.55);
            let tip =
                knee + (out * (lean * 1.25) + v(0.0, 0.8, 0.0) + side * 2.0) * (length * 0.45);
            Finger {
                foot,
                knee,
                tip,
                angle,
                length,
            }
        })
        .collect()
}

/// The crown about the origin of the table, and the drops that left it.
pub fn crown(ink: Medium, at: V3, cell: f32) -> Vec<(Body, Mesh)> {
    let fingers = fingers();
    let shape = |p: V3| {
        let p = p / SIZE;
        let ring = (p.x * p.x + p.z * p.z).sqrt();
        let angle = libm::atan2f(p.x, p.z);
        let (mut rim, mut jets) = (17.5 + 1.6 * libm::sinf(angle * 5.0 + 1.0), 1.0e3_f32);
        for f in &fingers {
            let turn = (angle - f.angle) / std::f32::consts::TAU;
            let away = (turn - libm::roundf(turn)) * std::f32::consts::TAU * 34.0;
            if away.abs() > 24.0 {
                continue;
            }
            rim += (2.5 + 0.22 * f.length) * libm::expf(-away * away * 0.035);
            let bead = 1.15 + 0.045 * f.length;
            let jet = join(
                taper(p, f.foot, f.knee, 1.5, 0.85),
                taper(p, f.knee, f.tip, 0.85, 0.75),
                0.6,
            );
            jets = jets.min(join(jet, (p - f.tip).length() - bead, 1.2));
        }
        let y = p.y.max(0.0);
        let thick =
            1.35 - 0.75 * smooth(0.0, 26.0, y) + 0.25 * noise::value(angle * 4.0, y * 0.16, 51);
        let lean = 0.82;
        let sheet = ((ring - wall(y, angle)).abs() * lean - thick * 0.5).max(p.y - rim);
        let (across, up) = (ring - wall(rim, angle), p.y - rim);
        let bead = (across * across + up * up).sqrt() - 0.95;
        let crest = join(sheet, bead, 1.4);
        // What stays on the table: a shallow pool, raised where it was pushed outward.
        let wave = 0.5
            + 1.5 * libm::expf(-(ring - 30.0) * (ring - 30.0) * 0.03)
            + 0.25 * libm::sinf(ring * 0.75 + angle);
        let edge = 37.0 + 2.6 * libm::sinf(angle * 4.0) + 1.7 * libm::sinf(angle * 9.0 + 2.0);
        let pool = (p.y - wave * smooth(edge + 1.0, edge - 5.0, ring)) * 0.8;
        let pool = pool.max(ring - edge);
        join(join(crest, jets, 2.0), pool, 3.2) * SIZE
    };
    let mut mesh = surface(
        v(-66.0, -1.2, -66.0) * SIZE,
        v(66.0, 60.0, 66.0) * SIZE,
        cell,
        shape,
    );
    for (n, f) in fingers.iter().enumerate() {
        let n = n as u32;
        let mut from = f.tip * SIZE;
        let mut flight = (f.tip - f.knee).unit();
        for k in 0..(2.2 + 1.9 * chance(9, n)) as u32 {
            let m = n * 7 + k;
            let r = 1.6 + 0.95 * chance(10, m);
            flight = (flight + v(0.28 * chance(11, m), -0.12, 0.28 * chance(12, m))).unit();
            from += flight * (6.5 + 4.5 * (1.0 + chance(13, m)));
            let mut drop = Mesh::ball(v(r, r * (1.0 + 0.22 * chance(14, m)), r), 20);
            for p in &mut drop.points {
                *p += from;
            }
            mesh.append(drop);
        }
    }
    for p in &mut mesh.points {
        *p += at;
    }
    vec![(
        Body::whole(Surface::Clear {
            outside: AIR,
            inside: ink,
        }),
        mesh,
    )]
}

/// Drips and splashes that lie on the table once the crown has fallen.
pub fn spilled(ink: Medium) -> Vec<(Body, Mesh)> {
    // x, z, radius, height, all mm.
    let mut drops: Vec<[f32; 4]> = vec![
        [-52.0, -38.0, 9.0, 1.5],
        [-44.0, -34.0, 6.5, 1.4],
        [-58.0, -45.0, 5.5, 1.2],
        [47.0, -22.0, 5.0, 1.3],
        [53.0, -26.0, 3.4, 1.1],
        [-46.0, 24.0, 3.8, 1.2],
        [-41.5, 26.5, 2.2, 0.9],
        [40.0, 42.0, 2.9, 1.0],
        [62.0, 12.0, 2.2, 0.8],
    ];
    for n in 0..34 {
        let (a, far) = (
            chance(20, n) * std::f32::consts::PI,
            46.0 + 34.0 * unit(hash(77, n)),
        );
        let r = 0.5 + 1.3 * unit(hash(78, n)) * unit(hash(79, n));
        drops.push([
            far * libm::sinf(a),
            far * libm::cosf(a) * 0.9 - 4.0,
            r,
            0.35 + 0.3 * r,
        ]);
    }
    let shape = |p: V3| {
        let wobble = 1.0 + 0.16 * noise::value(p.x * 0.22, p.z * 0.22, 52);
        drops.iter().fold(1.0e3, |best: f32, &[x, z, r, h]| {
            let (dx, dz) = ((p.x - x) * wobble, (p.z - z) * wobble);
            let ring = (dx * dx + dz * dz).sqrt();
            if ring > r + 6.0 {
                return best.min(ring - r);
            }
            let (a, b) = (ring / r, p.y / h);
            let k = (a * a + b * b).sqrt();
            join(best, (k - 1.0) * h.min(r) * 0.9, 1.2)
        })
    };
    let mesh = surface(v(-84.0, -0.8, -84.0), v(84.0, 2.4, 76.0), 0.4, shape);
    vec![(
        Body::whole(Surface::Clear {
            outside: AIR,
            inside: ink,
        }),
        mesh,
    )]
}
