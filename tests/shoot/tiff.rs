//! TIFF files, written strip by strip as the picture comes into being: little-endian, Deflate, horizontal predictor for
//! integers, 64 rows to a strip. Only what these pictures need.

use miniz_oxide::deflate::core::{
    CompressionStrategy, CompressorOxide, TDEFLFlush, compress_to_output,
    create_comp_flags_from_zip_params,
};
use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::Path;

/// Rows of one strip.
pub const STRIP: u32 = 64;

/// What a file's samples are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sample {
    U16,
    F32,
}

/// When and how a frame was taken, as its Exif says.
#[derive(Clone, Debug)]
pub struct Exposure {
    /// "2026:03:14 10:21:07".
    pub when: String,
}

/// A file being written.
#[derive(Debug)]
pub struct Tiff {
    out: BufWriter<File>,
    width: u32,
    height: u32,
    channels: u16,
    sample: Sample,
    at: u32,
    strips: Vec<(u32, u32)>,
    rows: u32,
}

enum Value {
    Short(Vec<u16>),
    Long(Vec<u32>),
    Ratio(u32, u32),
    Text(String),
    Raw(Vec<u8>),
}

impl Value {
    fn packed(&self) -> (u16, u32, Vec<u8>) {
        match self {
            Value::Short(v) => (
                3,
                v.len() as u32,
                v.iter().flat_map(|x| x.to_le_bytes()).collect(),
            ),
            Value::Long(v) => (
                4,
                v.len() as u32,
                v.iter().flat_map(|x| x.to_le_bytes()).collect(),
            ),
            Value::Ratio(a, b) => (5, 1, [a.to_le_bytes(), b.to_le_bytes()].concat()),
            Value::Text(s) => (2, s.len() as u32 + 1, [s.as_bytes(), b"\0"].concat()),
            Value::Raw(b) => (7, b.len() as u32, b.clone()),
        }
    }
}

/// One directory, to stand at offset `at`: its entries, then what does not fit into them.
fn directory(at: u32, entries: &[(u16, Value)]) -> Vec<u8> {
    let mut head = (entries.len() as u16).to_le_bytes().to_vec();
    let mut tail = Vec::new();
    let behind = at + 2 + 12 * entries.len() as u32 + 4;
    for (tag, value) in entries {
        let (kind, count, mut bytes) = value.packed();
        head.extend(tag.to_le_bytes());
        head.extend(kind.to_le_bytes());
        head.extend(count.to_le_bytes());
        if bytes.len() <= 4 {
            bytes.resize(4, 0);
            head.extend(bytes);
        } else {
            head.extend((behind + tail.len() as u32).to_le_bytes());
            tail.extend(bytes);
            tail.resize(tail.len().div_ceil(2) * 2, 0);
        }
    }
    head.extend([0; 4]);
    [head, tail].concat()
}

impl Tiff {
    pub fn create(
        path: &Path,
        width: u32,
        height: u32,
        channels: u16,
        sample: Sample,
    ) -> io::Result<Tiff> {
        let mut out = BufWriter::new(File::create(path)?);
        out.write_all(b"II*\0\0\0\0\0")?;
        Ok(Tiff {
            out,
            width,
            height,
            channels,
            sample,
            at: 8,
            strips: Vec::new(),
            rows: 0,
        })
    }

    /// The next strip of 16-bit samples: `STRIP` rows, fewer only at the end.
    pub fn push(&mut self, samples: &[u16]) -> io::Result<()> {
        let row = self.width as usize * self.channels as usize;
        let mut bytes = Vec::with_capacity(samples.len() * 2);
        for line in samples.chunks(row) {
            for (i, &s) in line.iter().enumerate() {
                let left = if i < self.channels as usize {
                    0
                } else {
                    line[i - self.channels as usize]
                };
                bytes.extend(s.wrapping_sub(left).to_le_bytes());
            }
        }
        self.strip(samples.len() / row, &bytes)
    }

    /// The next strip of float samples.
    pub fn push_floats(&mut self, samples: &[f32]) -> io::Result<()> {
        let bytes: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
        self.strip(
            samples.len() / (self.width as usize * self.channels as usize),
            &bytes,
        )
    }

    fn strip(&mut self, rows: usize, bytes: &[u8]) -> io::Result<()> {
        let packed = packed(bytes);
        self.out.write_all(&packed)?;
        self.strips.push((self.at, packed.len() as u32));
        self.at += packed.len() as u32;
        self.rows += rows as u32;
        Ok(())
    }

    /// Writes the directories and closes the file.
    pub fn finish(mut self, icc: &[u8], exposure: Option<&Exposure>) -> io::Result<()> {
        assert_eq!(self.rows, self.height, "a picture has all its rows");
        if self.at % 2 == 1 {
            self.out.write_all(&[0])?;
            self.at += 1;
        }
        let mut exif_at = None;
        if let Some(exposure) = exposure {
            let exif = directory(
                self.at,
                &[
                    (0x829a, Value::Ratio(1, 160)),
                    (0x829d, Value::Ratio(8, 1)),
                    (0x8827, Value::Short(vec![100])),
                    (0x9000, Value::Raw(b"0232".to_vec())),
                    (0x9003, Value::Text(exposure.when.clone())),
                    (0x9209, Value::Short(vec![1])),
                    (0x920a, Value::Ratio(100, 1)),
                ],
            );
            self.out.write_all(&exif)?;
            exif_at = Some(self.at);
            self.at += exif.len() as u32;
        }
        let (bits, format) = if self.sample == Sample::U16 {
            (16, 1)
        } else {
            (32, 3)
        };
        let each = |n: u16| Value::Short(vec![n; self.channels as usize]);
        let one = |n: u16| Value::Short(vec![n]);
        let mut entries = vec![
            (256, Value::Long(vec![self.width])),
            (257, Value::Long(vec![self.height])),
            (258, each(bits)),
            (259, one(8)),
            (262, one(if self.channels == 3 { 2 } else { 1 })),
            (273, Value::Long(self.strips.iter().map(|s| s.0).collect())),
            (274, one(1)),
            (277, one(self.channels)),
            (278, Value::Long(vec![STRIP])),
            (279, Value::Long(self.strips.iter().map(|s| s.1).collect())),
            (282, Value::Ratio(300, 1)),
            (283, Value::Ratio(300, 1)),
            (284, one(1)),
            (296, one(2)),
            (317, one(if self.sample == Sample::U16 { 2 } else { 1 })),
            (339, each(format)),
        ];
        if let Some(at) = exif_at {
            entries.push((34_665, Value::Long(vec![at])));
        }
        if !icc.is_empty() {
            entries.push((34_675, Value::Raw(icc.to_vec())));
        }
        self.out.write_all(&directory(self.at, &entries))?;
        self.out.seek(SeekFrom::Start(4))?;
        self.out.write_all(&self.at.to_le_bytes())?;
        self.out.flush()
    }
}

/// Deflate by Huffman codes alone: in noise there is nothing to match, and searching for it only costs bits.
fn packed(bytes: &[u8]) -> Vec<u8> {
    let flags = create_comp_flags_from_zip_params(1, 15, CompressionStrategy::HuffmanOnly as i32);
    let mut state = CompressorOxide::new(flags);
    let mut out = Vec::with_capacity(bytes.len());
    let keep = |part: &[u8]| {
        out.extend_from_slice(part);
        true
    };
    compress_to_output(&mut state, bytes, TDEFLFlush::Finish, keep);
    out
}
