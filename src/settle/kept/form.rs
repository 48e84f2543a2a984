//! Cut-outs, and how a frame lies on its plate, as bytes. Fields are taken apart by name: a new one does not compile
//! until it is written and read.

use super::super::lay::Laid;
use super::planes;
use super::words::{Reader, Writer};
use crate::budget::Account;
use crate::color::Response;
use crate::geom::Map;
use crate::key::{Cutout, LightField, Noise, Notice};
use crate::register::{Alignment, Balance, Trust, Uneven};

/// Everything but the findings, which are told anew.
pub fn of_laid(laid: &Laid) -> Vec<u8> {
    let Laid {
        carry,
        gains,
        alignment,
        balance,
        findings: _,
    } = laid;
    let mut out = Writer::default();
    map(&mut out, carry);
    out.numbers(gains);
    out.maybe(alignment.as_ref(), |out, alignment| {
        let Alignment {
            map: carry,
            shift,
            deviation,
            within,
            corner,
            correlation,
            turned,
            trust,
        } = alignment;
        map(out, carry);
        out.numbers(shift);
        out.numbers(deviation);
        out.numbers(&[*within, *corner, *correlation, *turned]);
        out.tag(match trust {
            Trust::Sure => 0,
            Trust::NoMatch => 1,
            Trust::BeyondSearch => 2,
            Trust::Featureless => 3,
            Trust::Rough => 4,
        });
    });
    out.maybe(balance.as_ref(), |out, balance| {
        let Balance {
            gains,
            exposure,
            used,
            deviation,
            uneven,
        } = balance;
        out.numbers(gains);
        out.numbers(&[*exposure, *used, *deviation]);
        out.maybe(uneven.as_ref(), |out, Uneven { place, amount }| {
            out.rect(*place);
            out.number(*amount);
        });
    });
    out.0
}

pub fn laid(bytes: &[u8]) -> Option<Laid> {
    let mut from = Reader(bytes);
    let laid = Laid {
        carry: read_map(&mut from)?,
        gains: from.numbers()?,
        alignment: from.maybe(|from| {
            Some(Alignment {
                map: read_map(from)?,
                shift: from.numbers()?,
                deviation: from.numbers()?,
                within: from.number()?,
                corner: from.number()?,
                correlation: from.number()?,
                turned: from.number()?,
                trust: match from.tag()? {
                    0 => Trust::Sure,
                    1 => Trust::NoMatch,
                    2 => Trust::BeyondSearch,
                    3 => Trust::Featureless,
                    4 => Trust::Rough,
                    _ => return None,
                },
            })
        })?,
        balance: from.maybe(|from| {
            Some(Balance {
                gains: from.numbers()?,
                exposure: from.number()?,
                used: from.number()?,
                deviation: from.number()?,
                uneven: from.maybe(|from| {
                    Some(Uneven {
                        place: from.rect()?,
                        amount: from.number()?,
                    })
                })?,
            })
        })?,
        findings: Vec::new(),
    };
    from.0.is_empty().then_some(laid)
}

fn map(out: &mut Writer, map: &Map) {
    out.numbers(map.0.as_flattened());
}

fn read_map(from: &mut Reader) -> Option<Map> {
    Some(Map([from.numbers()?, from.numbers()?, from.numbers()?]))
}

pub fn of_cutout(cutout: &Cutout) -> Vec<u8> {
    let Cutout {
        matte,
        colour,
        rig,
        crossing,
        light,
        shadow,
        flags,
        noise,
        response,
        notices,
    } = cutout;
    let mut out = Writer(Vec::with_capacity(size(cutout) as usize));
    for coverage in [matte, rig, crossing] {
        planes::write(&mut out, coverage);
    }
    for picture in [colour, &light.cells, &shadow.cells] {
        planes::write(&mut out, picture);
    }
    out.maybe(flags.as_ref(), |out, flags| {
        planes::write(out, &flags.cells)
    });
    let Noise { p, q, r } = noise;
    for part in [p, q, r] {
        out.singles(part);
    }
    out.maybe(response.as_ref(), |out, response| {
        out.numbers(&response.stated());
    });
    out.count(notices.len());
    for notice in notices {
        let (tag, place) = match notice {
            Notice::Nothing => (0, None),
            Notice::RodNotFound { place } => (1, Some(place)),
            Notice::ThinPart { place } => (2, Some(place)),
            Notice::SeeThrough { place } => (3, Some(place)),
            Notice::LikePlate { place } => (4, Some(place)),
            Notice::Elsewhere { place } => (5, Some(place)),
            Notice::Carried { place } => (6, Some(place)),
            Notice::LightUneven { place, meets, .. } => (7 + u8::from(*meets), Some(place)),
            Notice::LightOrShadow { place, .. } => (9, Some(place)),
        };
        out.tag(tag);
        if let Some(place) = place {
            out.rect(*place);
        }
        if let Notice::LightUneven { stops, .. } | Notice::LightOrShadow { stops, .. } = notice {
            out.number(*stops);
        }
    }
    out.0
}

/// Memory that [`of_cutout`] takes at most.
pub fn most(cutout: &Cutout) -> u64 {
    size(cutout) + planes::WORKING
}

/// Bytes that it gives at most.
fn size(cutout: &Cutout) -> u64 {
    let coverages = [&cutout.matte, &cutout.rig, &cutout.crossing];
    let pictures = [&cutout.colour, &cutout.light.cells, &cutout.shadow.cells];
    let flags = cutout.flags.as_ref().map(|flags| &flags.cells);
    let rasters = coverages
        .map(planes::most)
        .into_iter()
        .chain(pictures.into_iter().chain(flags).map(planes::most));
    rasters.sum::<u64>() + 256 + 32 * cutout.notices.len() as u64
}

pub fn cutout(bytes: &[u8], account: &Account) -> Option<Cutout> {
    let mut from = Reader(bytes);
    let matte = planes::read(&mut from, account)?;
    let rig = planes::read(&mut from, account)?;
    let crossing = planes::read(&mut from, account)?;
    let colour = planes::read(&mut from, account)?;
    let light = planes::read(&mut from, account)?;
    let shadow = planes::read(&mut from, account)?;
    let flags = from.maybe(|from| {
        let cells = planes::read(from, account)?;
        Some(LightField { cells })
    })?;
    let noise = Noise {
        p: from.singles()?,
        q: from.singles()?,
        r: from.singles()?,
    };
    let response = from.maybe(|from| from.numbers().map(Response::of))?;
    let count = from.count()?;
    let mut notices = Vec::new();
    for _ in 0..count {
        notices.push(match from.tag()? {
            0 => Notice::Nothing,
            1 => Notice::RodNotFound {
                place: from.rect()?,
            },
            2 => Notice::ThinPart {
                place: from.rect()?,
            },
            3 => Notice::SeeThrough {
                place: from.rect()?,
            },
            4 => Notice::LikePlate {
                place: from.rect()?,
            },
            5 => Notice::Elsewhere {
                place: from.rect()?,
            },
            6 => Notice::Carried {
                place: from.rect()?,
            },
            tag @ (7 | 8) => Notice::LightUneven {
                place: from.rect()?,
                stops: from.number()?,
                meets: tag == 8,
            },
            9 => Notice::LightOrShadow {
                place: from.rect()?,
                stops: from.number()?,
            },
            _ => return None,
        });
    }
    from.0.is_empty().then_some(Cutout {
        matte,
        colour,
        rig,
        crossing,
        light: LightField { cells: light },
        shadow: LightField { cells: shadow },
        flags,
        noise,
        response,
        notices,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;
    use crate::raster::{Light, Matte};

    #[test]
    fn how_a_frame_lies_comes_back_whole() {
        let laid_so = |trust, uneven| Laid {
            carry: Map::translation(0.25, -3.0),
            gains: [1.0, 1.5, 0.1],
            alignment: Some(Alignment {
                map: Map([[1.0, 0.5, 3.0], [0.1, 1.2, -2.0], [1e-6, 0.0, 1.0]]),
                shift: [3.0, 4.0],
                deviation: [0.01, f64::INFINITY],
                within: 0.04,
                corner: 7.0,
                correlation: 0.9,
                turned: 0.6,
                trust,
            }),
            balance: Some(Balance {
                gains: [0.9, 1.0, 1.1],
                exposure: -0.3,
                used: 0.8,
                deviation: 0.001,
                uneven,
            }),
            findings: Vec::new(),
        };
        let uneven = Uneven {
            place: Rect::new(-3, 4, 50, 60),
            amount: 0.07,
        };
        for laid_once in [
            laid_so(Trust::Sure, None),
            laid_so(Trust::NoMatch, Some(uneven)),
            laid_so(Trust::BeyondSearch, None),
            laid_so(Trust::Featureless, None),
            laid_so(Trust::Rough, None),
            Laid {
                alignment: None,
                balance: None,
                ..laid_so(Trust::Sure, None)
            },
        ] {
            let bytes = of_laid(&laid_once);
            let again = laid(&bytes).unwrap();
            assert_eq!(again.carry, laid_once.carry);
            assert_eq!(again.gains, laid_once.gains);
            assert_eq!(again.alignment, laid_once.alignment);
            assert_eq!(again.balance, laid_once.balance);
            for at in 0..bytes.len() {
                assert!(laid(&bytes[..at]).is_none(), "cut at {at}");
            }
        }
    }

    #[test]
    fn a_cut_out_comes_back_whole() {
        let account = Account::unlimited();
        let coverage = |n: u32| {
            let rect = Rect::new(n as i32, -4, 10 + n, 9);
            let mut matte = Matte::filled(rect, 0.5, &account).unwrap();
            matte.put(rect.x0, rect.y0, 0.125 * n as f32);
            matte
        };
        let picture = |n: u32| {
            let rect = Rect::new(-7, n as i32, 20, 6 + n);
            let mut light = Light::filled(rect, [0.1, 0.2, n as f32], &account).unwrap();
            light.put(rect.x0 + 1, rect.y0 + 1, [-1.5, 2.0, 0.3]);
            light
        };
        let place = Rect::new(1, 2, 3, 4);
        let once = Cutout {
            matte: coverage(1),
            colour: picture(1),
            rig: coverage(2),
            crossing: Matte::filled(Rect::EMPTY, 0.0, &account).unwrap(),
            light: LightField { cells: picture(2) },
            shadow: LightField { cells: picture(3) },
            flags: Some(LightField { cells: picture(4) }),
            noise: Noise {
                p: [1.0, 2.0, 3.0],
                q: [4.0, 5.0, 6.0],
                r: [7.0, 8.0, 9.0],
            },
            response: Some(Response::of([0.7, 0.9, 1.1, 1.3, 1.2, 0.8, 0.5])),
            notices: vec![
                Notice::Nothing,
                Notice::RodNotFound { place },
                Notice::ThinPart { place },
                Notice::SeeThrough { place },
                Notice::LikePlate { place },
                Notice::Elsewhere { place },
                Notice::Carried { place },
                Notice::LightUneven {
                    place,
                    stops: -0.25,
                    meets: true,
                },
                Notice::LightUneven {
                    place,
                    stops: 0.5,
                    meets: false,
                },
                Notice::LightOrShadow { place, stops: -0.1 },
            ],
        };
        let bytes = of_cutout(&once);
        assert!(bytes.len() as u64 <= size(&once));
        let again = cutout(&bytes, &account).unwrap();
        for (a, b) in [
            (&again.matte, &once.matte),
            (&again.rig, &once.rig),
            (&again.crossing, &once.crossing),
        ] {
            assert_eq!((a.rect(), a.data()), (b.rect(), b.data()));
        }
        for (a, b) in [
            (&again.colour, &once.colour),
            (&again.light.cells, &once.light.cells),
            (&again.shadow.cells, &once.shadow.cells),
        ] {
            assert_eq!((a.rect(), a.data()), (b.rect(), b.data()));
        }
        assert_eq!(
            again.flags.as_ref().map(|flags| flags.cells.data()),
            once.flags.as_ref().map(|flags| flags.cells.data())
        );
        assert_eq!(again.noise, once.noise);
        assert_eq!(again.response, once.response);
        assert_eq!(again.notices, once.notices);
        for at in 0..bytes.len() {
            assert!(cutout(&bytes[..at], &account).is_none(), "cut at {at}");
        }
    }
}
