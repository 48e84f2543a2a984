//! Three levels of what goes wrong between a plate and a frame, and what one frame got of it.

use super::draw::Draw;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// A locked camera in a dark room: only noise.
    None,
    /// A good day: a bumped tripod, a flash that drifts, a soft shadow.
    Typical,
    /// A bad one: the camera was touched, high sensitivity, a near and dark shadow, light that wanders.
    Hard,
}

impl Level {
    pub const ALL: [Level; 3] = [Level::None, Level::Typical, Level::Hard];

    pub fn name(self) -> &'static str {
        match self {
            Level::None => "none",
            Level::Typical => "typical",
            Level::Hard => "hard",
        }
    }
}

/// What a camera did to one frame, against its plate.
#[derive(Clone, Copy, Debug)]
pub struct Camera {
    /// How far the picture moved, px.
    pub shift: [f64; 2],
    /// How far it turned about its middle, degrees.
    pub turn: f64,
    /// Light is multiplied by this.
    pub gain: [f32; 3],
    /// Variance of the noise at light L: `shot` L + `floor`.
    pub shot: f32,
    pub floor: f32,
}

/// What the piece does to the light of the set. Lengths are shares of the frame's width.
#[derive(Clone, Copy, Debug)]
pub struct Shade {
    /// Share of light a full shadow takes.
    pub density: f32,
    pub sigma: f32,
    pub offset: [f32; 2],
    /// Coloured light the piece throws back.
    pub bounce: f32,
    /// Slow change of light over the frame, deviation.
    pub drift: f32,
}

pub fn camera(level: Level, draw: &mut Draw) -> Camera {
    let (near, far, turn, stops, white, shot, floor) = match level {
        Level::None => (0.0, 0.0, 0.0, 0.0, 0.0, 1e-5, 1e-8),
        Level::Typical => (0.3, 1.2, 0.0, 0.04, 0.006, 4e-5, 3e-7),
        Level::Hard => (1.5, 3.0, 0.03, 0.1, 0.02, 2.5e-4, 2e-6),
    };
    let (way, far) = (
        draw.between(0.0, std::f32::consts::TAU),
        draw.between(near, far),
    );
    let exposure = libm::exp2f(draw.between(-stops, stops));
    let mut white = || draw.between(1.0 - white, 1.0 + white);
    let gain = [exposure * white(), exposure, exposure * white()];
    Camera {
        shift: [
            f64::from(far * libm::cosf(way)),
            f64::from(far * libm::sinf(way)),
        ],
        turn: f64::from(draw.between(-turn, turn)),
        gain,
        shot,
        floor,
    }
}

pub fn shade(level: Level, draw: &mut Draw) -> Option<Shade> {
    let (density, sigma, far, bounce, drift) = match level {
        Level::None => return None,
        Level::Typical => ([0.25, 0.40], [0.020, 0.045], [0.07, 0.16], 0.015, 0.01),
        Level::Hard => ([0.40, 0.60], [0.009, 0.028], [0.02, 0.07], 0.04, 0.04),
    };
    let far = draw.between(far[0], far[1]);
    // Light comes from above, so shadows fall down, to one side or the other.
    let way = draw.between(0.15, 0.85) * std::f32::consts::PI;
    Some(Shade {
        density: draw.between(density[0], density[1]),
        sigma: draw.between(sigma[0], sigma[1]),
        offset: [far * libm::cosf(way), far * libm::sinf(way)],
        bounce,
        drift,
    })
}
