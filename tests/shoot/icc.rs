//! The profile the frames carry: our own, written byte by byte after ICC.1:2022 (version 4.4): a matrix profile with wide
//! primaries (those of SMPTE EG 432-1 with a D65 white, adapted to D50 by Bradford) and the parametric curve of IEC 61966-2-1.

/// Red, green and blue at full, XYZ under D50.
const COLUMNS: [[f64; 3]; 3] = [
    [0.515_12, 0.241_20, -0.001_05],
    [0.291_98, 0.692_25, 0.041_89],
    [0.157_10, 0.066_57, 0.784_07],
];
const WHITE: [f64; 3] = [0.964_2, 1.0, 0.824_9];
/// Bradford from D65 to D50, row by row.
const ADAPTED: [f64; 9] = [
    1.047_88, 0.022_92, -0.050_22, 0.029_59, 0.990_48, -0.017_07, -0.009_25, 0.015_08, 0.751_68,
];

fn fixed(value: f64) -> [u8; 4] {
    ((value * 65_536.0 + if value < 0.0 { -0.5 } else { 0.5 }) as i32).to_be_bytes()
}

fn text(words: &str) -> Vec<u8> {
    let mut tag = b"mluc\0\0\0\0\0\0\0\x01\0\0\0\x0cenUS".to_vec();
    tag.extend((words.len() as u32 * 2).to_be_bytes());
    tag.extend(28u32.to_be_bytes());
    tag.extend(words.encode_utf16().flat_map(u16::to_be_bytes));
    tag
}

fn array(kind: &[u8; 4], values: &[f64]) -> Vec<u8> {
    let mut tag = kind.to_vec();
    tag.extend([0; 4]);
    tag.extend(values.iter().flat_map(|&v| fixed(v)));
    tag
}

/// The profile, the same bytes each time.
pub fn profile() -> Vec<u8> {
    let mut curve = b"para\0\0\0\0\0\x03\0\0".to_vec();
    curve.extend(
        [2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.040_45]
            .iter()
            .flat_map(|&v| fixed(v)),
    );
    let tags: Vec<(&[u8; 4], Vec<u8>)> = vec![
        (b"desc", text("Tabletop wide RGB")),
        (b"cprt", text("No rights reserved")),
        (b"wtpt", array(b"XYZ ", &WHITE)),
        (b"chad", array(b"sf32", &ADAPTED)),
        (b"rXYZ", array(b"XYZ ", &COLUMNS[0])),
        (b"gXYZ", array(b"XYZ ", &COLUMNS[1])),
        (b"bXYZ", array(b"XYZ ", &COLUMNS[2])),
        (b"rTRC", curve.clone()),
        (b"gTRC", curve.clone()),
        (b"bTRC", curve),
    ];
    let (mut table, mut data): (Vec<u8>, Vec<u8>) =
        ((tags.len() as u32).to_be_bytes().to_vec(), Vec::new());
    let begin = 128 + 4 + 12 * tags.len();
    let mut curve_at = None;
    for (name, tag) in &tags {
        // The three curves are one.
        let at = match curve_at {
            Some(at) if name.ends_with(b"TRC") => at,
            _ => {
                let at = begin + data.len();
                data.extend(tag);
                data.resize(data.len().div_ceil(4) * 4, 0);
                at
            }
        };
        if name.ends_with(b"TRC") {
            curve_at = Some(at);
        }
        table.extend(*name);
        table.extend((at as u32).to_be_bytes());
        table.extend((tag.len() as u32).to_be_bytes());
    }
    let mut header = vec![0u8; 128];
    header[0..4].copy_from_slice(&((begin + data.len()) as u32).to_be_bytes());
    header[8..12].copy_from_slice(&[4, 0x40, 0, 0]);
    header[12..24].copy_from_slice(b"mntrRGB XYZ ");
    for (i, part) in [2026u16, 1, 1, 0, 0, 0].iter().enumerate() {
        header[24 + 2 * i..26 + 2 * i].copy_from_slice(&part.to_be_bytes());
    }
    header[36..40].copy_from_slice(b"acsp");
    header[68..80].copy_from_slice(&[fixed(WHITE[0]), fixed(WHITE[1]), fixed(WHITE[2])].concat());
    [header, table, data].concat()
}
