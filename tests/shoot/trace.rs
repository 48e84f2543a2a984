//! Light along one path: area lights sampled by their surface, mirrors and glass followed, one or two soft bounces.

use crate::sampling::{Sampler, cosine, facet};
use crate::surface::Surface;
use crate::vector::{V3, exp, v};
use crate::world::{Layer, Meeting, World};

/// A ray and what it runs through.
#[derive(Clone, Copy, Debug)]
pub struct Ray {
    pub from: V3,
    pub d: V3,
    pub absorb: V3,
}

/// Secondary rays begin this far off the surface, mm.
const LIFT: f32 = 3e-3;
const DEEPEST: u32 = 11;

/// Follows paths through a world; remembers whether one of them met what hangs in the air.
#[derive(Debug)]
pub struct Tracer<'w> {
    pub world: &'w World,
    /// Piece and rod are there (for all but the camera's own ray, which the caller decides).
    pub hung: bool,
    pub touched: bool,
}

/// A place where light is gathered.
struct Place {
    p: V3,
    normal: V3,
    face: V3,
}

impl<'w> Tracer<'w> {
    pub fn new(world: &'w World, hung: bool) -> Tracer<'w> {
        Tracer {
            world,
            hung,
            touched: false,
        }
    }

    /// Light that comes in along `ray`. `lamps` is off where the lamps were counted already.
    fn follow(&mut self, ray: Ray, sampler: Sampler, depth: u32, lamps: bool) -> V3 {
        let (t, meeting) = self.world.meet(ray.from, ray.d, LIFT, self.hung);
        if !lamps && matches!(meeting, Meeting::Lamp(_)) {
            return V3::ZERO;
        }
        self.seen(ray, t, &meeting, sampler, depth)
    }

    /// Light from a meeting already found, as it arrives at the ray's beginning.
    pub fn seen(
        &mut self,
        ray: Ray,
        t: f32,
        meeting: &Meeting,
        sampler: Sampler,
        depth: u32,
    ) -> V3 {
        let (strike, surface) = match meeting {
            Meeting::Lamp(light) | Meeting::Glow(light) => return *light,
            Meeting::Solid {
                strike,
                surface,
                layer,
            } => {
                self.touched |= *layer != Layer::Set;
                (strike, surface)
            }
        };
        let lost = if ray.absorb == V3::ZERO {
            V3::ONE
        } else {
            exp(ray.absorb * -t)
        };
        if depth > DEEPEST || lost.largest() < 1e-3 {
            return V3::ZERO;
        }
        let outside = ray.d.dot(strike.face) < 0.0;
        let side = if outside { 1.0 } else { -1.0 };
        let (face, mut normal) = (strike.face * side, strike.normal * side);
        if normal.dot(ray.d) > -1e-3 {
            normal = (normal - ray.d * (normal.dot(ray.d) + 1e-2)).unit();
        }
        let place = Place {
            p: ray.from + ray.d * t,
            normal,
            face,
        };
        let light = match *surface {
            Surface::Coated {
                paint,
                sheen,
                roughness,
            } => {
                let colour = paint.at(place.p, strike.uv);
                self.coated(&place, ray, colour, sheen, roughness, sampler, depth)
            }
            Surface::Sheet { paint, through } => {
                let colour = paint.at(place.p, strike.uv);
                let back = Place {
                    p: place.p,
                    normal: -normal,
                    face: -face,
                };
                self.gather(
                    &place,
                    ray,
                    colour * (1.0 - through),
                    sampler.branch(1),
                    depth,
                ) + self.gather(&back, ray, colour * through, sampler.branch(2), depth)
            }
            Surface::Metal { tint, roughness } => {
                let mut s = sampler;
                let h = facet(normal, -ray.d, roughness, s.pair());
                let d = ray.d.mirrored(h);
                if d.dot(face) <= 0.0 {
                    return V3::ZERO;
                }
                let share = tint + (V3::ONE - tint) * schlick(-ray.d.dot(h));
                share
                    * self.follow(
                        Ray {
                            from: place.p,
                            d,
                            ..ray
                        },
                        s.branch(3),
                        depth + 1,
                        true,
                    )
            }
            Surface::Clear {
                outside: o,
                inside: i,
            } => {
                let (here, there) = if outside { (o, i) } else { (i, o) };
                self.clear(
                    &place,
                    ray,
                    here.index / there.index,
                    there.absorb,
                    sampler,
                    depth,
                )
            }
        };
        lost * light
    }

    fn coated(
        &mut self,
        at: &Place,
        ray: Ray,
        colour: V3,
        sheen: f32,
        rough: f32,
        sampler: Sampler,
        depth: u32,
    ) -> V3 {
        if sheen == 0.0 {
            return self.gather(at, ray, colour, sampler.branch(1), depth);
        }
        let mut s = sampler;
        let h = facet(at.normal, -ray.d, rough, s.pair());
        let share = sheen + (1.0 - sheen) * schlick(-ray.d.dot(h));
        let (pick, _) = s.pair();
        // Near the camera both parts are followed; deeper one of them is drawn.
        let (coat, body) = match depth {
            0 => (share, 1.0 - share),
            _ if pick < share => (1.0, 0.0),
            _ => (0.0, 1.0),
        };
        let mut light = V3::ZERO;
        let d = ray.d.mirrored(h);
        if coat > 0.0 && d.dot(at.face) > 0.0 {
            light += self.follow(
                Ray {
                    from: at.p,
                    d,
                    ..ray
                },
                s.branch(2),
                depth + 1,
                true,
            ) * coat;
        }
        if body > 0.0 {
            light += self.gather(at, ray, colour, s.branch(1), depth) * body;
        }
        light
    }

    /// Soft light given back by a matt surface: one lamp drawn by its strength, and what the surroundings send.
    fn gather(&mut self, at: &Place, ray: Ray, colour: V3, sampler: Sampler, depth: u32) -> V3 {
        let mut s = sampler;
        let world = self.world;
        let strength = world.lights.each_ref().map(|l| {
            let toward = l.centre - at.p;
            let far = toward.dot(toward);
            l.radiance.largest() * l.area * (0.05 + at.normal.dot(toward / far.sqrt()).max(0.0))
                / far
        });
        let (mut pick, _) = s.pair();
        pick *= strength.iter().sum::<f32>();
        let mut chosen = 0;
        while chosen + 1 < strength.len() && pick >= strength[chosen] {
            pick -= strength[chosen];
            chosen += 1;
        }
        let chance = strength[chosen] / strength.iter().sum::<f32>();
        let lamp = &world.lights[chosen];
        let (a, b) = s.pair();
        let (a, b) = (2.0 * a - 1.0, 2.0 * b - 1.0);
        let toward = lamp.centre + lamp.half[0] * a + lamp.half[1] * b - at.p;
        let far = toward.length();
        let d = toward / far;
        let (here, there) = (at.normal.dot(d), -lamp.normal.dot(d));
        let mut light = V3::ZERO;
        if here > 0.0 && there > 0.0 && at.face.dot(d) > 0.0 {
            let share = here * there * lamp.area / (far * far * std::f32::consts::PI * chance);
            light = lamp.shine(a, b) * share * self.open(at.p, d, far, ray.absorb);
        }
        if depth < 2 {
            let d = cosine(at.normal, s.pair());
            if d.dot(at.face) > 0.0 {
                let sent = self.follow(
                    Ray {
                        from: at.p,
                        d,
                        ..ray
                    },
                    s.branch(7),
                    depth.max(1) + 1,
                    false,
                );
                light += sent.min(V3::splat(6.0));
            }
        }
        colour * light
    }

    /// Share of light that gets from `p` to a lamp, straight on; clear things take their colour from it.
    fn open(&mut self, p: V3, d: V3, far: f32, absorb: V3) -> V3 {
        let (mut from, mut left, mut absorb, mut share) = (p, far, absorb, V3::ONE);
        for _ in 0..14 {
            let mut best = self
                .world
                .set
                .strike(from, d, LIFT, left)
                .map(|s| (s, Layer::Set));
            if self.hung {
                for (thing, layer) in [
                    (&self.world.piece, Layer::Piece),
                    (&self.world.rod, Layer::Rod),
                ] {
                    let limit = best.as_ref().map_or(left, |b| b.0.t);
                    best = thing
                        .strike(from, d, LIFT, limit)
                        .map(|s| (s, layer))
                        .or(best);
                }
            }
            let Some((strike, layer)) = best else {
                return share * exp(absorb * -left.min(200.0));
            };
            self.touched |= layer != Layer::Set;
            let thing = match layer {
                Layer::Set => &self.world.set,
                Layer::Piece => &self.world.piece,
                Layer::Rod => &self.world.rod,
            };
            let Surface::Clear { outside, inside } = thing.bodies[strike.body as usize].surface
            else {
                return V3::ZERO;
            };
            let entering = d.dot(strike.face) < 0.0;
            let (here, there) = if entering {
                (outside, inside)
            } else {
                (inside, outside)
            };
            let cos = d.dot(strike.normal).abs();
            share =
                share * exp(absorb * -strike.t) * (1.0 - fresnel(cos, here.index / there.index).0);
            if share.largest() < 1e-3 {
                return V3::ZERO;
            }
            absorb = there.absorb;
            from = from + d * strike.t;
            left -= strike.t;
        }
        V3::ZERO
    }

    fn clear(
        &mut self,
        at: &Place,
        ray: Ray,
        ratio: f32,
        absorb: V3,
        sampler: Sampler,
        depth: u32,
    ) -> V3 {
        let cos = -ray.d.dot(at.normal);
        let (share, beyond) = fresnel(cos, ratio);
        let mut s = sampler;
        let (pick, _) = s.pair();
        let (back, on) = match depth {
            0 | 1 => (share, 1.0 - share),
            _ if pick < share => (1.0, 0.0),
            _ => (0.0, 1.0),
        };
        let mut light = V3::ZERO;
        if back > 1e-3 {
            let d = ray.d.mirrored(at.normal);
            light += self.follow(
                Ray {
                    from: at.p,
                    d,
                    ..ray
                },
                s.branch(1),
                depth + 1,
                true,
            ) * back;
        }
        if on > 1e-3 {
            let d = (ray.d * ratio + at.normal * (ratio * cos - beyond)).unit();
            light += self.follow(
                Ray {
                    from: at.p,
                    d,
                    absorb,
                },
                s.branch(2),
                depth + 1,
                true,
            ) * on;
        }
        light
    }
}

fn schlick(cos: f32) -> f32 {
    let m = (1.0 - cos).clamp(0.0, 1.0);
    m * m * m * m * m
}

/// Reflected share of unpolarised light and the cosine beyond, for an index ratio here / there.
fn fresnel(cos: f32, ratio: f32) -> (f32, f32) {
    let sine = ratio * ratio * (1.0 - cos * cos);
    if sine >= 1.0 {
        return (1.0, 0.0);
    }
    let beyond = (1.0 - sine).sqrt();
    let across = (ratio * cos - beyond) / (ratio * cos + beyond);
    let along = (cos - ratio * beyond) / (cos + ratio * beyond);
    ((across * across + along * along) * 0.5, beyond)
}

/// The direction straight up, for callers that build rays.
pub const UP: V3 = v(0.0, 1.0, 0.0);
