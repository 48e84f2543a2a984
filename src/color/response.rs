//! How the lights of a picture answer the lights of the set, where a colour recipe bent their proportions.

/// Tones, as stops below white, at which an answer's slope is stated; straight between them, level beyond.
const STOPS: [f64; TONES] = [-8.0, -6.0, -4.0, -3.0, -2.0, -1.0, 0.0];
const TONES: usize = 7;
/// From here on downward a picture's light is taken as in proportion to the set's.
const LOWEST: i32 = -9;
/// Straight pieces of the table per stop.
const PIECES: i32 = 32;

/// A rising curve between the light of a picture and that of the set it shows: white answers white, and what lies nine
/// stops or more below it answers itself. Per channel; the same bits on every machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// As they were stated, so that the same are stated again, to the bit.
    stated: [f64; TONES],
    slopes: [f64; TONES],
    /// The picture's lights in rising order, and what on the set they answer.
    seen: Vec<f32>,
    set: Vec<f32>,
}

impl Response {
    pub const TONES: usize = TONES;

    /// The curve of slopes (stops of the picture per stop of the set, each above 0) at [`Response::stops`]; only how they
    /// stand to each other counts.
    pub fn of(slopes: [f64; TONES]) -> Response {
        let count = -LOWEST * PIECES;
        let seen: Vec<f64> = (0..=count)
            .map(|i| {
                let part = f64::from(i % PIECES) / f64::from(PIECES);
                libm::exp2(f64::from(LOWEST + i / PIECES)) * (1.0 + part)
            })
            .collect();
        let tones: Vec<f64> = seen.iter().map(|&v| libm::log2(v)).collect();
        let mut risen = vec![0.0];
        let mut sum = 0.0;
        for pair in tones.windows(2) {
            let over = |tone| 1.0 / slope(&slopes, tone);
            sum += (pair[1] - pair[0]) * 0.5 * (over(pair[0]) + over(pair[1]));
            risen.push(sum);
        }
        let whole = f64::from(-LOWEST) / sum;
        let set = risen.iter().map(|v| libm::exp2((v - sum) * whole) as f32);
        Response {
            stated: slopes,
            slopes: slopes.map(|v| v * whole.recip()),
            set: set.collect(),
            seen: seen.into_iter().map(|v| v as f32).collect(),
        }
    }

    /// Tones of [`Response::slopes`], in stops below white.
    pub fn stops() -> [f64; TONES] {
        STOPS
    }

    /// The slopes that the curve was made of.
    pub fn stated(&self) -> [f64; TONES] {
        self.stated
    }

    /// Slopes of the curve, in stops of the picture per stop of the set.
    pub fn slopes(&self) -> [f64; TONES] {
        self.slopes
    }

    /// Light on the set that a picture's light answers.
    pub fn taken_back(&self, light: f32) -> f32 {
        between(&self.seen, &self.set, light)
    }

    /// How a picture answers a light of the set.
    pub fn laid_on(&self, light: f32) -> f32 {
        between(&self.set, &self.seen, light)
    }
}

/// A light above nothing in stops: white is 0.
pub(crate) fn stops(light: f32) -> f32 {
    libm::log2f(light)
}

/// Where a tone, in stops below white, lies between those of [`Response::stops`]: the one below, and the next one's share.
pub(crate) fn place(stops: f64) -> (usize, f64) {
    let at = stops.clamp(STOPS[0], STOPS[TONES - 1]);
    let i = (1..TONES - 1).rev().find(|&i| STOPS[i] <= at).unwrap_or(0);
    (i, (at - STOPS[i]) / (STOPS[i + 1] - STOPS[i]))
}

/// The slope at a tone, in stops below white.
pub(crate) fn slope(slopes: &[f64; TONES], tone: f64) -> f64 {
    let (i, share) = place(tone);
    slopes[i] + (slopes[i + 1] - slopes[i]) * share
}

/// One rising table read by the other; in proportion below both, on along the same share above.
fn between(from: &[f32], to: &[f32], light: f32) -> f32 {
    let last = from.len() - 1;
    if light.is_nan() || light <= from[0] {
        return light * (to[0] / from[0]);
    }
    if light >= from[last] {
        return light * (to[last] / from[last]);
    }
    let i = from.partition_point(|&v| v <= light) - 1;
    to[i] + (light - from[i]) * ((to[i + 1] - to[i]) / (from[i + 1] - from[i]))
}

#[cfg(test)]
mod tests {
    use super::*;

    const BENT: [f64; 7] = [0.6, 0.8, 1.0, 1.3, 1.2, 0.9, 0.5];

    #[test]
    fn one_slope_is_no_curve() {
        for slope in [0.5, 1.0, 3.0] {
            let straight = Response::of([slope; 7]);
            for v in [-0.1, 0.0, 1e-5, 0.003, 0.18, 0.7, 1.0, 3.0] {
                assert!((straight.taken_back(v) - v).abs() <= 2e-6 * v.abs(), "{v}");
            }
        }
    }

    #[test]
    fn what_is_taken_back_is_laid_on_again() {
        let bent = Response::of(BENT);
        let mut last = f32::NEG_INFINITY;
        for i in -200..1400 {
            let v = i as f32 / 1000.0;
            let set = bent.taken_back(v);
            assert!(set > last, "{v}");
            last = set;
            assert!((bent.laid_on(set) - v).abs() <= 1e-5 * v.abs(), "{v}");
        }
        assert_eq!(bent.taken_back(0.0), 0.0);
        assert_eq!(bent.taken_back(1.0), 1.0);
    }

    /// A slope of the curve is how many stops a picture moves by when the set does by one.
    #[test]
    fn slopes_are_stops_per_stop() {
        let bent = Response::of(BENT);
        for (tone, slope) in Response::stops().iter().zip(bent.slopes()).skip(1).take(5) {
            let (a, b) = (
                libm::exp2(tone - 0.05) as f32,
                libm::exp2(tone + 0.05) as f32,
            );
            let ratio = f64::from(bent.taken_back(b) / bent.taken_back(a));
            let measured = 0.1 / libm::log2(ratio);
            assert!(
                (measured / slope - 1.0).abs() < 0.05,
                "{tone}: {measured} {slope}"
            );
        }
    }
}
