//! PNG, row by row, through the `png` crate; its pinned version decides the bytes.
//!
//! 8 and 16 bits, straight alpha. Profile in iCCP, density in pHYs, XMP in iTXt (PNG, third edition, section 11.3).
//! No tIME chunk: the packet has the date, if one is given.

use std::fmt;
use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};

use super::{Channels, Codes, Depth, Image, WriteFault, xmp};

/// Level 1 of Deflate as in our TIFFs: several times faster than the usual 6, and no larger on camera noise.
const DEFLATE_LEVEL: u8 = 1;

/// The profile's name inside iCCP, which PNG asks for; the profile describes itself.
const PROFILE_NAME: &[u8] = b"ICC profile";

/// Writes one picture from its top row down.
pub struct PngWriter<W: Write + 'static> {
    rows: png::StreamWriter<'static, Shared<W>>,
    sink: Arc<Mutex<W>>,
    image: Image,
    samples: u64,
    swapped: Vec<u8>,
}

impl<W: Write + 'static> fmt::Debug for PngWriter<W> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("PngWriter")
            .field("image", &self.image)
            .field("samples", &self.samples)
            .finish_non_exhaustive()
    }
}

impl<W: Write + 'static> PngWriter<W> {
    /// Begins a file. Refuses 32-bit samples and what no file can hold.
    pub fn new(sink: W, image: Image) -> Result<PngWriter<W>, WriteFault> {
        image.checked()?;
        let depth = match image.depth {
            Depth::U8 => png::BitDepth::Eight,
            Depth::U16 => png::BitDepth::Sixteen,
            Depth::F32 => {
                return Err(WriteFault::Depth {
                    format: "PNG",
                    depth: image.depth,
                });
            }
        };
        let packet = xmp::packet(&image.words)?;
        let sink = Arc::new(Mutex::new(sink));
        let mut encoder = png::Encoder::new(Shared(sink.clone()), image.width, image.height);
        encoder.set_color(match image.channels {
            Channels::Gray => png::ColorType::Grayscale,
            Channels::GrayAlpha => png::ColorType::GrayscaleAlpha,
            Channels::Rgb => png::ColorType::Rgb,
            Channels::RgbAlpha => png::ColorType::Rgba,
        });
        encoder.set_depth(depth);
        encoder.set_deflate_compression(png::DeflateCompression::Level(DEFLATE_LEVEL));
        encoder.set_filter(png::Filter::Adaptive);
        let per_metre = (image.ppi / 0.0254 + 0.5).floor() as u32;
        encoder.set_pixel_dims(Some(png::PixelDimensions {
            xppu: per_metre,
            yppu: per_metre,
            unit: png::Unit::Meter,
        }));
        encoder
            .add_itxt_chunk("XML:com.adobe.xmp".to_string(), packet)
            .map_err(fault)?;
        let mut writer = encoder.write_header().map_err(fault)?;
        if !image.icc.is_empty() {
            // Written here because the crate names every profile "_".
            let mut chunk = [PROFILE_NAME, &[0, 0]].concat();
            chunk.extend(miniz_oxide::deflate::compress_to_vec_zlib(&image.icc, 6));
            writer
                .write_chunk(png::chunk::iCCP, &chunk)
                .map_err(fault)?;
        }
        Ok(PngWriter {
            rows: writer.into_stream_writer().map_err(fault)?,
            sink,
            image,
            samples: 0,
            swapped: Vec::new(),
        })
    }

    /// Appends whole rows.
    ///
    /// # Panics
    /// When the samples have another depth than the picture, or are not whole rows.
    pub fn push_rows(&mut self, codes: Codes<'_>) -> Result<(), WriteFault> {
        assert_eq!(codes.depth(), self.image.depth, "the depth of pushed rows");
        assert!(
            (codes.len() as u64).is_multiple_of(self.image.samples_in(1)),
            "rows are pushed whole"
        );
        self.samples += codes.len() as u64;
        self.count(|got, wanted| got <= wanted)?;
        match codes {
            Codes::U8(codes) => self.rows.write_all(codes)?,
            Codes::U16(codes) => {
                // PNG is big-endian. By pieces, so that a tall band needs no second copy of itself.
                for piece in codes.chunks(1 << 16) {
                    self.swapped.clear();
                    self.swapped
                        .extend(piece.iter().flat_map(|code| code.to_be_bytes()));
                    self.rows.write_all(&self.swapped)?;
                }
            }
            Codes::F32(_) => unreachable!("no PNG is begun with 32-bit samples"),
        }
        Ok(())
    }

    /// Ends the file and gives the sink back, flushed. Refuses a picture whose rows are not all there.
    pub fn finish(self) -> Result<W, WriteFault> {
        self.count(|got, wanted| got == wanted)?;
        self.rows.finish().map_err(fault)?;
        let sink =
            Arc::into_inner(self.sink).expect("the finished stream held the only other handle");
        let mut sink = sink.into_inner().unwrap_or_else(PoisonError::into_inner);
        sink.flush()?;
        Ok(sink)
    }

    fn count(&self, allowed: impl Fn(u64, u64) -> bool) -> Result<(), WriteFault> {
        let got = self.samples / self.image.samples_in(1);
        let wanted = u64::from(self.image.height);
        if allowed(got, wanted) {
            return Ok(());
        }
        Err(WriteFault::Count {
            what: "rows",
            wanted,
            got,
        })
    }
}

/// The sink in two hands: the crate's stream keeps what it is given, and the caller wants it back.
struct Shared<W>(Arc<Mutex<W>>);

impl<W: Write> Write for Shared<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .flush()
    }
}

/// Everything the crate could object to was checked before; what is left is the sink's error.
fn fault(error: png::EncodingError) -> WriteFault {
    WriteFault::Io(error.into())
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::super::tests::{image, noise};
    use super::super::{Compression, Words};
    use super::*;

    const CHANNELS: [Channels; 4] = [
        Channels::Gray,
        Channels::GrayAlpha,
        Channels::Rgb,
        Channels::RgbAlpha,
    ];

    fn decoded(file: &[u8]) -> (png::Info<'static>, Vec<u8>) {
        let mut reader = png::Decoder::new(Cursor::new(file)).read_info().unwrap();
        let mut samples = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut samples).unwrap();
        (reader.info().clone(), samples)
    }

    /// 16-bit samples are stored high byte first (PNG, third edition, section 7.1), whatever the pieces they came in.
    #[test]
    fn samples_come_back() {
        for channels in CHANNELS {
            let of = |depth| image(37, 41, channels, depth, Compression::None);
            let row = 37 * channels.count();
            let codes = noise(41 * row, 3);
            let u16s: Vec<u16> = codes.iter().map(|code| (code >> 16) as u16).collect();
            let mut writer = PngWriter::new(Vec::new(), of(Depth::U16)).unwrap();
            for rows in u16s.chunks(16 * row) {
                writer.push_rows(Codes::U16(rows)).unwrap();
            }
            let (_, seen) = decoded(&writer.finish().unwrap());
            let wanted: Vec<u8> = u16s.iter().flat_map(|code| code.to_be_bytes()).collect();
            assert_eq!(seen, wanted);
            let u8s: Vec<u8> = codes.iter().map(|code| (code >> 24) as u8).collect();
            let mut writer = PngWriter::new(Vec::new(), of(Depth::U8)).unwrap();
            writer.push_rows(Codes::U8(&u8s)).unwrap();
            assert_eq!(decoded(&writer.finish().unwrap()).1, u8s);
        }
    }

    /// 11,811 pixels per metre are 300 per inch of 25.4 mm.
    #[test]
    fn profile_density_and_words_are_there() {
        let mut image = image(2, 2, Channels::Rgb, Depth::U8, Compression::None);
        image.icc = (0..200).collect();
        image.words = Words {
            title: Some("Füller".to_string()),
            ..Words::default()
        };
        let mut writer = PngWriter::new(Vec::new(), image.clone()).unwrap();
        writer.push_rows(Codes::U8(&[9; 12])).unwrap();
        let (info, _) = decoded(&writer.finish().unwrap());
        assert_eq!(info.icc_profile.as_deref(), Some(&image.icc[..]));
        assert_eq!(info.pixel_dims.unwrap().xppu, 11_811);
        assert_eq!(info.utf8_text.len(), 1);
        assert_eq!(
            info.utf8_text[0].get_text().unwrap(),
            xmp::packet(&image.words).unwrap()
        );
    }

    #[test]
    fn missing_and_surplus_rows_and_floats_are_refused() {
        let image = image(3, 2, Channels::Gray, Depth::U8, Compression::None);
        let mut writer = PngWriter::new(Vec::new(), image.clone()).unwrap();
        writer.push_rows(Codes::U8(&[0; 3])).unwrap();
        let refused = writer.push_rows(Codes::U8(&[0; 6])).unwrap_err();
        insta::assert_snapshot!(refused, @"3 rows were given where 2 are needed");
        let writer = PngWriter::new(Vec::new(), image.clone()).unwrap();
        insta::assert_snapshot!(writer.finish().unwrap_err(), @"0 rows were given where 2 are needed");
        let floats = Image {
            depth: Depth::F32,
            ..image
        };
        insta::assert_snapshot!(PngWriter::new(Vec::new(), floats).unwrap_err(), @"PNG can't hold 32-bit samples: use a smaller depth or a TIFF");
    }
}
