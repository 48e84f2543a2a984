//! Wires of known course with a rod before them.

use super::super::axis::Stop;
use super::*;
use crate::budget::Account;

/// A rod down the middle, leaning a little, 8 px wide, over 80 rows.
fn course() -> Course {
    let stops: Vec<Stop> = (0..9)
        .map(|n| Stop {
            x: 40.0 + 0.8 * f64::from(n),
            y: 10.0 * f64::from(n),
            weight: 1.0,
        })
        .collect();
    Course::new(Axis::through(&stops).unwrap(), (-4.0, 4.0), (0.0, 78.0))
}

/// A band of 6 px whose middle runs through `row` at x = 40 with `slope`, bent by `bend`, soft to a pixel; its
/// light changes across.
struct Band {
    row: f64,
    slope: f64,
    bend: f64,
}

impl Band {
    fn off(&self, x: i32, y: i32) -> f64 {
        let aside = f64::from(x) + 0.5 - 40.0;
        let row = self.row + self.slope * aside + self.bend * aside * aside;
        let steep = self.slope + 2.0 * self.bend * aside;
        (f64::from(y) + 0.5 - row) / libm::sqrt(1.0 + steep * steep)
    }

    fn coverage(&self, x: i32, y: i32) -> f32 {
        (3.5 - self.off(x, y).abs()).clamp(0.0, 1.0) as f32
    }

    fn light(&self, x: i32, y: i32) -> [f32; 3] {
        let v = 0.4 + 0.05 * self.off(x, y).clamp(-3.0, 3.0) as f32;
        [v, 0.8 * v, 0.4 * v]
    }
}

/// Bands with the rod before them: what is left of the matte and the colour.
fn hidden(course: &Course, left: &Band, right: &Band) -> (Matte, Light) {
    let account = Account::unlimited();
    let rect = Rect::of_size(80, 90);
    let mut matte = Matte::filled(rect, 0.0, &account).unwrap();
    let mut colour = Light::filled(rect, [0.9, 0.1, 0.9], &account).unwrap();
    for y in 0..90 {
        for x in 0..80 {
            let (_, u) = (course.axis).place(f64::from(x) + 0.5, f64::from(y) + 0.5);
            if u.abs() > 4.5 {
                let band = if u < 0.0 { left } else { right };
                matte.put(x, y, band.coverage(x, y));
                if band.coverage(x, y) > 0.0 {
                    colour.put(x, y, band.light(x, y));
                }
            }
        }
    }
    (matte, colour)
}

fn laid_on(course: Course, left: &Band, right: &Band) -> (Vec<Rect>, Matte, Light, Matte) {
    let account = Account::unlimited();
    let (mut matte, mut colour) = hidden(&course, left, right);
    let mut crossing = Matte::filled(matte.rect(), 0.0, &account).unwrap();
    let mut rods = Matte::filled(matte.rect(), 1.0, &account).unwrap();
    let places = carried(
        &[course],
        &mut matte,
        &mut colour,
        (&mut rods, &mut crossing),
    );
    for (rod, hidden) in rods.data().iter().zip(crossing.data()) {
        assert!(rod + hidden <= 1.0);
    }
    (places, matte, colour, crossing)
}

#[test]
fn a_slanted_wire_goes_on_beneath_the_rod() {
    for (slope, bend) in [(0.0, 0.0), (0.9, 0.0), (-1.2, 0.0), (0.5, 0.012)] {
        let band = Band {
            row: 40.0,
            slope,
            bend,
        };
        let (places, matte, colour, crossing) = laid_on(course(), &band, &band);
        assert_eq!(places.len(), 1, "slope {slope}");
        let (mut marked, mut sum) = (0.0f32, 0.0f32);
        for y in 0..90 {
            for x in 20..60 {
                let off = (matte.at(x, y) - band.coverage(x, y)).abs();
                assert!(off < 0.3, "slope {slope}: {off} at {x},{y}");
                sum += off;
                if band.coverage(x, y) == 1.0 {
                    let (seen, true_light) = (colour.at(x, y), band.light(x, y));
                    let off = (seen[0] - true_light[0]).abs();
                    assert!(off < 0.03, "slope {slope}: light {off} at {x},{y}");
                }
                marked += crossing.at(x, y);
            }
        }
        // Less than a twentieth of what is hidden.
        assert!(sum < 6.0, "slope {slope}: {sum}");
        // As much as the rod hides: 8 px along a wire of 6.
        assert!(marked > 40.0 && marked < 140.0, "{marked}");
    }
}

#[test]
fn what_does_not_lead_on_is_left() {
    let at = |row, slope| Band {
        row,
        slope,
        bend: 0.0,
    };
    for (left, right) in [
        (at(30.0, 0.0), at(40.0, 0.0)),
        (at(40.0, 0.8), at(40.0, -0.8)),
    ] {
        let (before, _) = hidden(&course(), &left, &right);
        let (places, matte, _, crossing) = laid_on(course(), &left, &right);
        assert!(places.is_empty());
        assert_eq!(matte.data(), before.data());
        assert!(crossing.data().iter().all(|v| *v == 0.0));
    }
}

#[test]
fn a_wire_before_the_rod_stays_as_it_was_seen() {
    let account = Account::unlimited();
    let band = Band {
        row: 40.0,
        slope: 0.4,
        bend: 0.0,
    };
    let rect = Rect::of_size(80, 90);
    let mut matte = Matte::filled(rect, 0.0, &account).unwrap();
    let mut colour = Light::filled(rect, [0.5; 3], &account).unwrap();
    for y in 0..90 {
        for x in 0..80 {
            matte.put(x, y, 0.9 * band.coverage(x, y));
        }
    }
    let before = matte.cropped(rect, &account).unwrap();
    let mut crossing = Matte::filled(rect, 0.0, &account).unwrap();
    let mut rods = Matte::filled(rect, 1.0, &account).unwrap();
    let marks = (&mut rods, &mut crossing);
    let places = carried(&[course()], &mut matte, &mut colour, marks);
    assert!(places.is_empty());
    assert_eq!(matte.data(), before.data());
}

#[test]
fn a_rod_that_is_seen_before_a_wire_is_taken_off_it() {
    let band = Band {
        row: 40.0,
        slope: 0.5,
        bend: 0.0,
    };
    let whole = |middle: Option<[f32; 3]>| {
        let account = Account::unlimited();
        let (mut matte, mut colour) = hidden(&course(), &band, &band);
        let mut crossing = Matte::filled(matte.rect(), 0.0, &account).unwrap();
        let mut rods = Matte::filled(matte.rect(), 0.0, &account).unwrap();
        for y in 0..90 {
            for x in 0..80 {
                let (_, u) = (course().axis).place(f64::from(x) + 0.5, f64::from(y) + 0.5);
                if u.abs() <= 4.5 {
                    matte.put(x, y, band.coverage(x, y));
                    colour.put(x, y, middle.unwrap_or(band.light(x, y)));
                }
            }
        }
        let steel = Course {
            tint: Some(tint([0.5, 0.5, 0.48])),
            ..course()
        };
        let marks = (&mut rods, &mut crossing);
        let places = carried(&[steel], &mut matte, &mut colour, marks);
        (places.len(), colour)
    };
    // The rod in another light than where it hangs alone; the wire itself, as it should be.
    let (places, colour) = whole(Some([0.31, 0.29, 0.26]));
    assert_eq!(places, 1);
    for (x, y) in (20..60).flat_map(|x| (0..90).map(move |y| (x, y))) {
        if band.coverage(x, y) == 1.0 {
            let off = (colour.at(x, y)[2] - band.light(x, y)[2]).abs();
            assert!(off < 0.02, "light {off} at {x},{y}");
        }
    }
    assert_eq!(whole(None).0, 0);
}
