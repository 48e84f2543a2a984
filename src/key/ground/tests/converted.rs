//! Frames as raw converters hand them over: of three channels a pixel has seen one, the others are filled in from around it,
//! and noise of colour is smoothed. Neighbours share most of their noise then.

use super::*;

/// The picture through the simplest of converters: each channel is the mean of its own samples next to a pixel, and how
/// channels differ is a mean over some pixels more. The filter array lies `off` pixels to the right.
fn converted(picture: &Light, off: i32, account: &Account) -> Light {
    let rect = picture.rect();
    // A filter array's rows are red and green, and green and blue.
    let channel = |x: i32, y: i32| match ((x + off) & 1, y & 1) {
        (0, 0) => 0,
        (1, 1) => 2,
        _ => 1,
    };
    let mean = |of: &dyn Fn(i32, i32) -> Option<f32>, x: i32, y: i32, reach: i32| {
        let places = (-reach..=reach).flat_map(|v| (-reach..=reach).map(move |u| (u, v)));
        let inside = places.map(|(u, v)| (x + u, y + v));
        let values = inside.filter(|&(x, y)| rect.contains(x, y));
        let (mut sum, mut count) = (0.0f32, 0.0f32);
        for value in values.filter_map(|(x, y)| of(x, y)) {
            sum += value;
            count += 1.0;
        }
        sum / count
    };
    let mut filled = Light::filled(rect, [0.0; 3], account).unwrap();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let of = |k: usize| match channel(x, y) == k {
                true => picture.at(x, y)[k],
                false => mean(
                    &|x, y| (channel(x, y) == k).then(|| picture.at(x, y)[k]),
                    x,
                    y,
                    1,
                ),
            };
            filled.put(x, y, [of(0), of(1), of(2)]);
        }
    }
    let mut out = Light::filled(rect, [0.0; 3], account).unwrap();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let green = filled.at(x, y)[1];
            let beside = |k: usize| {
                let off = |x, y| Some(filled.at(x, y)[k] - filled.at(x, y)[1]);
                green + mean(&off, x, y, 2)
            };
            out.put(x, y, [beside(0), green, beside(2)]);
        }
    }
    out
}

/// The ground of a frame and its plate, both converted, both with `loud` times the usual noise; the camera moved by a pixel.
fn converted_ground(
    plate: impl Fn(i32, i32) -> [f32; 3],
    frame: impl Fn(i32, i32) -> [f32; 3],
    loud: f32,
    account: &Account,
) -> Ground {
    let shot = |of: &dyn Fn(i32, i32) -> [f32; 3], seed, off| {
        let seen = noisy(picture(account, of), seed);
        let louder = picture(account, |x, y| {
            let (is, was) = (of(x, y), seen.at(x, y));
            [0, 1, 2].map(|k| is[k] + loud * (was[k] - is[k]))
        });
        converted(&louder, off, account)
    };
    let (plate, frame) = (shot(&plate, 1, 0), shot(&frame, 2, 1));
    found(&Ask::of(&frame, &plate), account).unwrap().0
}

/// A dark set with pale leaves on it, soft at their rims.
fn leaves(x: i32, y: i32) -> [f32; 3] {
    let (x, y) = (x as f32, y as f32);
    let wave = 0.11 * x + 0.9 * libm::sinf(0.05 * y);
    let rim = 2.0 * libm::sinf(wave) * libm::cosf(0.09 * y);
    let t = 0.5 + 0.5 * rim.clamp(-1.0, 1.0);
    let (dark, pale) = ([0.03, 0.08, 0.09], [0.5, 0.24, 0.08]);
    [0, 1, 2].map(|k| dark[k] + (pale[k] - dark[k]) * t)
}

#[test]
fn edges_of_the_set_that_are_filled_in_otherwise_are_the_set() {
    let account = Account::unlimited();
    for loud in [0.5, 1.0, 2.0, 4.0] {
        let ground = converted_ground(leaves, leaves, loud, &account);
        assert_eq!(left(&ground), 0, "{loud}");
    }
}

#[test]
fn noise_is_known_to_be_smooth() {
    let account = Account::unlimited();
    let sweep = |_: i32, y: i32| [0.25 + 0.0004 * y as f32; 3];
    for loud in [0.5, 1.0, 3.0] {
        let converted = converted_ground(sweep, sweep, loud, &account);
        assert_eq!(left(&converted), 0);
        assert!(converted.grain > 1.25, "{}", converted.grain);
    }
    // Not of a sensor that sees three channels everywhere.
    assert!(ground(sweep, sweep, &account).grain < 1.05);
}
