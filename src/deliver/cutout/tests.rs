//! Files of a piece made by hand, read back with somebody else's libraries.

use super::*;
use crate::key::Notice;
use crate::plan::{Alone, Named, opened_alone};
use crate::raster::Raster;
use crate::register::{Balance, Uneven};
use std::fs;
use std::path::Path;
use tiff::decoder::{Decoder, DecodingResult};
use tiff::encoder::{TiffEncoder, colortype};

const W: u32 = 300;
const H: u32 = 270;

/// A folder of this test's own, gone afterwards.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Scratch {
        let id = std::process::id();
        let path = std::env::temp_dir().join(format!("platewright-cutout-{name}-{id}"));
        let _ = fs::remove_dir_all(&path);
        fs::create_dir(&path).unwrap();
        Scratch(path)
    }

    /// A frame and a plate of one colour each.
    fn opened(&self, account: &Account) -> Alone {
        let written = |name: &str, code: u16| {
            let path = self.0.join(name);
            let mut encoder = TiffEncoder::new(fs::File::create(&path).unwrap()).unwrap();
            let codes = vec![code; (W * H * 3) as usize];
            encoder
                .write_image::<colortype::RGB16>(W, H, &codes)
                .unwrap();
            path
        };
        let (frame, plate) = (written("frame.tif", 40_000), written("plate.tif", 20_000));
        let named = Named {
            frame: &frame,
            plates: &[plate],
            within: None,
            untagged: Some(&crate::scene::ProfileName::Srgb),
        };
        opened_alone(&named, account).unwrap()
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn read16(path: &Path) -> Vec<u16> {
    let file = std::io::BufReader::new(fs::File::open(path).unwrap());
    match Decoder::new(file).unwrap().read_image().unwrap() {
        DecodingResult::U16(codes) => codes,
        other => panic!("{other:?}"),
    }
}

/// Sum of a matte file's coverage, px, and where its centre lies.
fn moments(codes: &[u16]) -> (f64, f64, f64) {
    let (mut sum, mut across, mut down) = (0.0, 0.0, 0.0);
    for (k, code) in codes.iter().enumerate() {
        let c = f64::from(*code) / 65_535.0;
        sum += c;
        across += c * (f64::from(k as u32 % W) + 0.5);
        down += c * (f64::from(k as u32 / W) + 0.5);
    }
    (sum, across / sum, down / sum)
}

/// A ramp-edged square of 60 px with a hole of 10 px, at 100, 80 of the frame.
fn square(account: &Account) -> (Matte, Light) {
    let rect = Rect::new(90, 70, 80, 80);
    let mut matte = Matte::filled(rect, 0.0, account).unwrap();
    for y in 80..140 {
        for x in 100..160 {
            let edge = [x - 100, 159 - x, y - 80, 139 - y].into_iter().min();
            let hole = (120..130).contains(&x) && (100..110).contains(&y);
            let c = match edge {
                _ if hole => 0.0,
                Some(0) => 0.25,
                Some(1) => 0.75,
                _ => 1.0,
            };
            matte.put(x, y, c);
        }
    }
    let colour = Light::filled(rect, [0.5, 0.25, 0.125], account).unwrap();
    (matte, colour)
}

/// Cell (i, j) of the field covers frame pixels 2i, 2j: a slope across that a shift must carry along.
fn slope(account: &Account) -> LightField {
    let mut cells = Raster::filled(Rect::of_size(W / 2, H / 2), [1.0f32; 3], account).unwrap();
    for y in 0..(H / 2) as i32 {
        for x in 0..(W / 2) as i32 {
            let ratio = 0.5 + (2 * x + 1) as f32 / W as f32;
            cells.put(x, y, [ratio, 1.0, 1.0]);
        }
    }
    LightField { cells }
}

#[test]
fn everything_is_carried_to_the_plate_once() {
    let scratch = Scratch::new("carried");
    let account = Account::unlimited();
    let alone = scratch.opened(&account);
    let (matte, colour) = square(&account);
    let light = slope(&account);
    let facts = Facts {
        plates: &[],
        fellows: &[],
        alignment: None,
        balance: None,
        noise: None,
        response: None,
        rig: None,
        notices: &[],
    };
    let folder = OutputFolder::open(&scratch.0).unwrap();
    let with = |carry: Map, prefix: &str| {
        let piece = Piece {
            matte: &matte,
            colour: &colour,
            light: Some(&light),
            frame: alone.frame(),
            gains: [1.0; 3],
            carry,
            plate: alone.plates().first().copied(),
            space: &alone.space,
            facts: &facts,
        };
        let place = Place {
            folder: &folder,
            prefix,
            inputs: &[],
            words: &Words::default(),
        };
        written(&piece, &place, &account).unwrap();
        let read = |name: &str| read16(&scratch.0.join(prefix).join(name));
        (read("matte.tif"), read("colour.tif"), read("shadow.tif"))
    };
    let (still, colour_still, shadow_still) = with(Map::IDENTITY, "still/");
    let (area, x, y) = moments(&still);
    // By hand: rings of 236 and 228 px at 0.25 and 0.75, 3136 px inside, less the hole.
    assert!(
        (area - (59.0 + 171.0 + 3136.0 - 100.0)).abs() < 0.01,
        "{area}"
    );
    assert!(still.contains(&65_535) && still.contains(&16_384));
    let known = colour_still.chunks(3).filter(|c| c[0] != 0).count();
    assert_eq!(known, 76 * 76, "8 px beyond the edge, the hole filled");
    // A whole shift copies; half a pixel, where the kernel is symmetric, moves the centre by just as much and keeps
    // the area.
    let (moved, ..) = with(Map::translation(7.0, -20.0), "moved/");
    let at = |codes: &[u16], x: u32, y: u32| codes[(y * W + x) as usize];
    for (fx, fy) in [(100, 80), (101, 120), (125, 105), (159, 139)] {
        assert_eq!(at(&moved, fx + 7, fy - 20), at(&still, fx, fy));
    }
    let (half, _, shadow) = with(Map::translation(12.5, 30.5), "half/");
    let (area_half, x_half, y_half) = moments(&half);
    // Where the kernel overshoots, coverage is cut to 0..1.
    assert!((area_half - area).abs() < 1.0, "{area_half}");
    assert!((x_half - x - 12.5).abs() < 5e-3, "{}", x_half - x);
    assert!((y_half - y - 30.5).abs() < 5e-3, "{}", y_half - y);
    // The slope is 32768 / 300 codes a pixel.
    for (x, y) in [(60, 50), (200, 201)] {
        let k = 3 * (y * W + x) as usize;
        let wanted = f64::from(shadow_still[k]) - 12.5 * 32_768.0 / f64::from(W);
        assert!((f64::from(shadow[k]) - wanted).abs() <= 1.5, "{wanted}");
        assert_eq!(shadow[k + 1], 32_768);
    }
    // Out of the plate altogether.
    let (gone, ..) = with(Map::translation(5000.0, 0.0), "gone/");
    assert!(gone.iter().all(|code| *code == 0));
}

#[test]
fn notices_have_pictures_and_facts_have_places() {
    let scratch = Scratch::new("notices");
    let account = Account::unlimited();
    let alone = scratch.opened(&account);
    let (matte, colour) = square(&account);
    let balance = Balance {
        gains: [1.0, 1.1, 0.9],
        exposure: -0.1,
        used: 0.5,
        deviation: 0.001,
        uneven: Some(Uneven {
            place: Rect::new(0, 0, 20, 10),
            amount: 0.05,
        }),
    };
    let place = Rect::new(110, 90, 30, 20);
    let notices = [Notice::Nothing, Notice::LikePlate { place }];
    let facts = Facts {
        plates: &["dry-1.tif".to_owned()],
        fellows: &[],
        alignment: None,
        balance: Some(&balance),
        noise: None,
        response: None,
        rig: None,
        notices: &notices,
    };
    let piece = Piece {
        matte: &matte,
        colour: &colour,
        light: None,
        frame: alone.frame(),
        gains: balance.gains,
        carry: Map::translation(10.0, 20.0),
        plate: alone.plates().first().copied(),
        space: &alone.space,
        facts: &facts,
    };
    let folder = OutputFolder::open(&scratch.0).unwrap();
    let place = Place {
        folder: &folder,
        prefix: "",
        inputs: &[],
        words: &Words::default(),
    };
    let made = written(&piece, &place, &account).unwrap();
    let names: Vec<&str> = made.iter().map(|made| made.file.as_str()).collect();
    assert_eq!(
        names,
        [
            "matte.tif",
            "colour.tif",
            "cutout.tif",
            "check.png",
            "NOTICE-1.png",
            "NOTICE-2.png",
            "cutout.json"
        ]
    );
    let open = |name: &str| {
        let bytes = fs::read(scratch.0.join(name)).unwrap();
        image::load_from_memory(&bytes).unwrap().to_rgb8()
    };
    // 16 px around the place, four times as large; the hole of the square lies in it, its line in two tones.
    let first = open("NOTICE-1.png");
    assert_eq!(first.dimensions(), (4 * 62, 4 * 52));
    let tone = |x: u32, y: u32| first.get_pixel(4 * (x - 94), 4 * (y - 74)).0;
    let frame = tone(140, 120);
    assert!(frame != [230; 3] && frame != [25; 3]);
    assert_eq!(tone(120, 104), [230; 3], "just inside the hole");
    assert_eq!(
        first.get_pixel(4 * (120 - 94) + 1, 4 * (104 - 74)).0,
        [25; 3]
    );
    assert_eq!(open("NOTICE-2.png").dimensions(), (4 * 36, 4 * 26));
    // 24 px around the box on the plate, six fields, gutters of 12 px.
    let sheet = open("check.png");
    assert_eq!(sheet.dimensions(), (3 * 108 + 48, 2 * 108 + 36));
    let field = |column: u32, row: u32, x: u32, y: u32| {
        sheet.get_pixel(12 + column * 120 + x, 12 + row * 120 + y).0
    };
    assert_eq!(field(0, 0, 0, 0), [0; 3]);
    assert_eq!(field(1, 0, 0, 0), [118; 3], "18 % of white is #767676");
    assert_eq!(field(2, 0, 0, 0), [255; 3]);
    assert_eq!(field(0, 1, 0, 0), [78; 3], "the plate, 20000 of 65535");
    assert_eq!(field(1, 1, 0, 0), [0; 3]);
    assert_eq!(field(1, 1, 54, 64), [255; 3]);
    for column in 0..3 {
        // Half of the light of white, a quarter, an eighth: IEC 61966-2-1.
        assert_eq!(field(column, 0, 60, 64), [188, 137, 99]);
    }
    let text = fs::read_to_string(scratch.0.join("cutout.json")).unwrap();
    let facts: serde_json::Value = serde_json::from_str(&text).unwrap();
    let rect = |x: i32, y: i32, w: i32, h: i32| serde_json::json!({ "x": x, "y": y, "width": w, "height": h });
    assert_eq!(facts["piece"]["box"], rect(110, 100, 60, 60));
    assert_eq!(facts["piece"]["parts"], 1);
    assert_eq!(facts["holes"][0]["box"], rect(130, 120, 10, 10));
    assert_eq!(facts["holes"][0]["area"], 100);
    assert_eq!(facts["notices"][0]["id"], "nothing-found");
    assert_eq!(facts["notices"][1]["place"], rect(110, 90, 30, 20));
    assert_eq!(facts["notices"][2]["file"], "NOTICE-2.png");
    assert_eq!(facts["balance"]["uneven"]["amount"], 0.05);
}

#[test]
fn too_little_memory_leaves_nothing() {
    let scratch = Scratch::new("memory");
    let alone = scratch.opened(&Account::unlimited());
    let (matte, colour) = square(&Account::unlimited());
    let facts = Facts {
        plates: &[],
        fellows: &[],
        alignment: None,
        balance: None,
        noise: None,
        response: None,
        rig: None,
        notices: &[],
    };
    let piece = Piece {
        matte: &matte,
        colour: &colour,
        light: None,
        frame: alone.frame(),
        gains: [1.0; 3],
        carry: Map::translation(0.5, 0.5),
        plate: None,
        space: &alone.space,
        facts: &facts,
    };
    let folder = OutputFolder::open(&scratch.0.join("out")).unwrap();
    let place = Place {
        folder: &folder,
        prefix: "a/",
        inputs: &[],
        words: &Words::default(),
    };
    let refused = written(&piece, &place, &Account::new(100_000)).unwrap_err();
    assert_eq!(refused.id, "out-of-memory");
    assert_eq!(fs::read_dir(scratch.0.join("out/a")).unwrap().count(), 0);
}
