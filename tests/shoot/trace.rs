//! Light along one path: area lights sampled by their surface, mirrors and glass followed, one or two soft bounces.

use crate::lobe::{Lobe, schlick};
use crate::sampling::{Sampler, cosine};
use crate::surface::Surface;
use crate::vector::{V3, exp};
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

/// A place on a lamp: where it is, what it sends, how often it is drawn per unit of solid angle.
struct Drawn {
    d: V3,
    far: f32,
    shine: V3,
    density: f32,
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
        if !lamps && matches!(meeting, Meeting::Lamp { .. }) {
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
            Meeting::Lamp { shine: light, .. } | Meeting::Glow(light) => return *light,
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
                self.mirrored(&place, ray, tint, roughness, sampler.branch(3), depth)
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
        let share = sheen + (1.0 - sheen) * schlick(-ray.d.dot(at.normal));
        let (pick, _) = s.pair();
        // Near the camera both parts are followed; deeper one of them is drawn.
        let (coat, body) = match depth {
            0 => (1.0, 1.0 - share),
            _ if pick < share => (1.0 / share, 0.0),
            _ => (0.0, 1.0),
        };
        let mut light = V3::ZERO;
        if coat > 0.0 {
            let tint = V3::splat(sheen);
            light += self.mirrored(at, ray, tint, rough, s.branch(2), depth) * coat;
        }
        if body > 0.0 {
            light += self.gather(at, ray, colour, s.branch(1), depth) * body;
        }
        light
    }

    /// Light given back by a rough mirror: its own lobe and, where that is wide, a lamp drawn as well; the two are
    /// weighed by how often each finds the direction (Veach's balance heuristic).
    fn mirrored(
        &mut self,
        at: &Place,
        ray: Ray,
        tint: V3,
        rough: f32,
        sampler: Sampler,
        depth: u32,
    ) -> V3 {
        let mut s = sampler;
        let lobe = Lobe::new(at.normal, -ray.d, rough, tint);
        let both = rough > 0.18 && depth < 2;
        let mut light = V3::ZERO;
        let d = lobe.draw(s.pair());
        if d.dot(at.face) > 0.0 {
            let on = Ray {
                from: at.p,
                d,
                ..ray
            };
            let (t, meeting) = self.world.meet(at.p, d, LIFT, self.hung);
            let weight = match &meeting {
                Meeting::Lamp { number, .. } if both => {
                    let lamp = &self.world.lights[*number];
                    let drawn = self.odds(at)[*number] * t * t / (-lamp.normal.dot(d) * lamp.area);
                    let own = lobe.density(d);
                    own / (own + drawn)
                }
                _ => 1.0,
            };
            let sent = self.seen(on, t, &meeting, s.branch(1), depth + 1);
            light += lobe.share(d) * sent * (lobe.lit(d) * weight);
        }
        if both && let Some(lamp) = self.lamp(at, &mut s) {
            let own = lobe.density(lamp.d);
            if own > 1e-4 {
                let share = lobe.share(lamp.d) * (lobe.lit(lamp.d) * own / (own + lamp.density));
                light += lamp.shine * share * self.open(at.p, lamp.d, lamp.far, ray.absorb);
            }
        }
        light
    }

    /// How likely each lamp is to be drawn, by what it may send to a place.
    fn odds(&self, at: &Place) -> [f32; 4] {
        let strength = self.world.lights.each_ref().map(|l| {
            let toward = l.centre - at.p;
            let far = toward.dot(toward);
            let facing = 0.05 + at.normal.dot(toward / far.sqrt()).max(0.0);
            l.radiance.largest() * l.area * facing / far
        });
        let total: f32 = strength.iter().sum();
        strength.map(|s| s / total)
    }

    /// Draws a place on one of the lamps; none if it can't shine on `at`.
    fn lamp(&self, at: &Place, s: &mut Sampler) -> Option<Drawn> {
        let odds = self.odds(at);
        let (mut pick, _) = s.pair();
        let mut chosen = 0;
        while chosen + 1 < odds.len() && pick >= odds[chosen] {
            pick -= odds[chosen];
            chosen += 1;
        }
        let lamp = &self.world.lights[chosen];
        let (a, b) = s.pair();
        let (a, b) = (2.0 * a - 1.0, 2.0 * b - 1.0);
        let toward = lamp.centre + lamp.half[0] * a + lamp.half[1] * b - at.p;
        let far = toward.length();
        let d = toward / far;
        let leaves = -lamp.normal.dot(d);
        let density = odds[chosen] * far * far / (leaves * lamp.area);
        let lit = leaves > 0.0 && at.normal.dot(d) > 0.0 && at.face.dot(d) > 0.0;
        lit.then(|| Drawn {
            d,
            far,
            shine: lamp.shine(a, b),
            density,
        })
    }

    /// Soft light given back by a matt surface: one lamp drawn by its strength, and what the surroundings send.
    fn gather(&mut self, at: &Place, ray: Ray, colour: V3, sampler: Sampler, depth: u32) -> V3 {
        let mut s = sampler;
        let mut light = V3::ZERO;
        // What the camera sees is worth several looks at the lamps.
        let looks = if depth == 0 { 3 } else { 1 };
        for look in 0..looks {
            let mut s = s.finer(look, looks);
            if let Some(lamp) = self.lamp(at, &mut s) {
                let share =
                    at.normal.dot(lamp.d) / (std::f32::consts::PI * lamp.density * looks as f32);
                light += lamp.shine * share * self.open(at.p, lamp.d, lamp.far, ray.absorb);
            }
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
                // A lamp seen in a mirror by a soft bounce is a rare, bright speck: held down.
                light += sent.min(V3::splat(0.7));
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
            from += d * strike.t;
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
