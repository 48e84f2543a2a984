//! One output as it takes the picture's bands: crop, correction, size, codes, file.

use super::code::{CodeBuffer, Coder};
use super::file::Pending;
use super::guides;
use crate::budget::{Account, Charge};
use crate::diag::Finding;
use crate::frame::write::{
    Channels, Compression, Depth, Image, PngWriter, TILE, TiffWriter, Words, WriteFault, write_jpeg,
};
use crate::geom::Rect;
use crate::plan::{OutputPlan, Plan};
use crate::raster::Premul;
use crate::render::{Band, BandSink, Stored};
use crate::resample::{Kernel, Resizer};
use crate::scene::{self, Format};
use crate::settle::out_of_memory;
use rayon::prelude::*;

/// Bytes an output holds while its picture is drawn.
pub(super) fn room(output: &OutputPlan, coder: &Coder) -> u64 {
    let row = u64::from(output.size.0) * coder.channels() as u64 * coder.sample_bytes();
    match output.target.format {
        // Rows waiting for a full row of tiles, the ones just coded, and the same packed.
        Format::Tiff => row.saturating_mul(3 * u64::from(TILE)),
        Format::Png => row.saturating_mul(u64::from(TILE)),
        Format::Jpeg | Format::Webp => whole_bytes(output, coder),
    }
}

/// The part of [`room`] that is held between two bands; the rest only while a band is taken.
pub(super) fn held(output: &OutputPlan, coder: &Coder) -> u64 {
    match output.target.format {
        Format::Tiff => room(output, coder) / 3,
        _ => room(output, coder),
    }
}

fn whole_bytes(output: &OutputPlan, coder: &Coder) -> u64 {
    let row = u64::from(output.size.0) * coder.channels() as u64 * coder.sample_bytes();
    row.saturating_mul(u64::from(output.size.1))
}

/// Whether guides are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Marks {
    Drawn,
    Left,
}

pub(super) struct OutputSink<'a> {
    output: &'a OutputPlan,
    coder: Coder,
    resizer: Option<Resizer>,
    file: File,
    /// Rows written so far.
    row: u32,
    account: Account,
}

/// The file being written, and what it still has to wait for.
enum File {
    Tiff {
        writer: TiffWriter<Pending>,
        image: Image,
        /// Rows that do not fill a row of tiles yet.
        waiting: CodeBuffer,
        /// Tiles written.
        tiles: usize,
        _room: Charge,
    },
    Png(Box<PngWriter<Pending>>),
    /// Held whole: the encoder wants all of it, or guides are drawn on it.
    Whole {
        pending: Pending,
        image: Image,
        data: Vec<u8>,
        marks: Marks,
        _room: Charge,
    },
}

impl<'a> OutputSink<'a> {
    pub fn new(
        plan: &Plan,
        output: &'a OutputPlan,
        pending: Pending,
        words: Words,
        marks: Marks,
        account: &Account,
    ) -> Result<OutputSink<'a>, Finding> {
        let coder = Coder::new(plan, output);
        let (width, height) = output.size;
        let image = Image {
            width,
            height,
            channels: match (output.profile.is_gray(), output.alpha) {
                (true, false) => Channels::Gray,
                (true, true) => Channels::GrayAlpha,
                (false, false) => Channels::Rgb,
                (false, true) => Channels::RgbAlpha,
            },
            depth: match output.target.depth {
                scene::Depth::Eight => Depth::U8,
                scene::Depth::Sixteen => Depth::U16,
                scene::Depth::ThirtyTwo => Depth::F32,
            },
            compression: match output.target.compression {
                scene::Compression::None => Compression::None,
                scene::Compression::Lzw => Compression::Lzw,
                scene::Compression::Deflate => Compression::Deflate,
            },
            icc: output.profile.bytes().to_vec(),
            ppi: output.target.ppi,
            words,
        };
        let bytes = match marks {
            Marks::Drawn => whole_bytes(output, &coder),
            Marks::Left => room(output, &coder),
        };
        let whole = |image: Image, pending: Pending| {
            let room = account.charge(bytes, "a whole output")?;
            Ok(File::Whole {
                pending,
                image,
                data: Vec::with_capacity(bytes as usize),
                marks,
                _room: room,
            })
        };
        let file = match (output.target.format, marks) {
            (Format::Tiff, _) => {
                let room = account
                    .charge(bytes, "rows of an output")
                    .map_err(|f| out_of_memory(&f))?;
                File::Tiff {
                    writer: TiffWriter::new(pending, image.clone())
                        .map_err(|f| fault(output, &f))?,
                    image,
                    waiting: coder.nothing(),
                    tiles: 0,
                    _room: room,
                }
            }
            (Format::Png, Marks::Left) => File::Png(Box::new(
                PngWriter::new(pending, image).map_err(|f| fault(output, &f))?,
            )),
            _ => whole(image, pending).map_err(|f| out_of_memory(&f))?,
        };
        let resizer = if output.size == (output.window.width(), output.window.height()) {
            None
        } else {
            Some(
                Resizer::new(
                    (output.window.width(), output.window.height()),
                    output.size,
                    Kernel::Lanczos3,
                    account,
                )
                .map_err(|f| out_of_memory(&f))?,
            )
        };
        Ok(OutputSink {
            output,
            coder,
            resizer,
            file,
            row: 0,
            account: account.clone(),
        })
    }

    /// Writes what is left and closes the file, still under its temporary name.
    pub fn finished(self) -> Result<Pending, Finding> {
        let output = self.output;
        match self.file {
            File::Tiff {
                mut writer,
                image,
                waiting,
                mut tiles,
                _room,
            } => {
                if !waiting.codes().is_empty() {
                    push_tiles(&mut writer, &image, &waiting, &mut tiles)
                        .map_err(|f| fault(output, &f))?;
                }
                writer.finish().map_err(|f| fault(output, &f))
            }
            File::Png(writer) => writer.finish().map_err(|f| fault(output, &f)),
            File::Whole {
                mut pending,
                image,
                mut data,
                marks,
                _room,
            } => {
                if marks == Marks::Drawn {
                    let channels = image.channels.count();
                    guides::draw(
                        &output.guides,
                        image.width,
                        image.height,
                        channels,
                        &mut data,
                    );
                }
                if output.target.format == Format::Jpeg {
                    write_jpeg(&mut pending, &image, output.target.quality, &data)
                        .map_err(|f| fault(output, &f))?;
                    return Ok(pending);
                }
                let mut writer = PngWriter::new(pending, image).map_err(|f| fault(output, &f))?;
                writer
                    .push_rows(crate::frame::write::Codes::U8(&data))
                    .map_err(|f| fault(output, &f))?;
                writer.finish().map_err(|f| fault(output, &f))
            }
        }
    }

    fn push(&mut self, codes: CodeBuffer, count: u32) -> Result<(), Finding> {
        self.row += count;
        let pushed = match &mut self.file {
            File::Tiff {
                writer,
                image,
                waiting,
                tiles,
                ..
            } => {
                waiting.append(codes);
                let stride = image.width as usize * image.channels.count();
                let full = stride * TILE as usize;
                let mut pushed = Ok(());
                while pushed.is_ok() && waiting.codes().len() >= full {
                    let rows = waiting.split(full);
                    pushed = push_tiles(writer, image, &rows, tiles);
                }
                pushed
            }
            File::Png(writer) => writer.push_rows(codes.codes()),
            File::Whole { data, .. } => {
                if let CodeBuffer::U8(codes) = codes {
                    data.extend_from_slice(&codes);
                }
                Ok(())
            }
        };
        pushed.map_err(|f| fault(self.output, &f))
    }
}

/// Encodes one row of tiles in parallel and writes it in order.
fn push_tiles(
    writer: &mut TiffWriter<Pending>,
    image: &Image,
    rows: &CodeBuffer,
    tiles: &mut usize,
) -> Result<(), WriteFault> {
    let channels = image.channels.count();
    let stride = image.width as usize * channels;
    let height = rows.codes().len() / stride;
    let across = image.width.div_ceil(TILE) as usize;
    let encoded: Vec<Vec<u8>> = (0..across)
        .into_par_iter()
        .map(|k| {
            let from = k * TILE as usize * channels;
            let to = (from + TILE as usize * channels).min(stride);
            let part = rows.cut(0..height, from..to, stride);
            image.encoded_tile(part.codes(), *tiles + k)
        })
        .collect();
    for tile in &encoded {
        writer.push(tile)?;
    }
    *tiles += across;
    Ok(())
}

impl BandSink for OutputSink<'_> {
    fn wants_codes(&self) -> bool {
        self.coder.keeps_codes()
    }

    fn take(&mut self, band: &Band) -> Result<(), Finding> {
        let window = self.output.window;
        let part: Rect = band.picture.rect().intersected(&window);
        if part.is_empty() {
            return Ok(());
        }
        let corrected = match &self.output.correct {
            None => None,
            Some(matrix) => {
                let mut copy = band
                    .picture
                    .cropped(part, &self.account)
                    .map_err(|f| out_of_memory(&f))?;
                matrix.apply(copy.data_mut());
                Some(copy)
            }
        };
        let source = corrected.as_ref().unwrap_or(&band.picture);
        let rows: Vec<&[Premul]> = (part.y0..part.y1)
            .map(|y| source.span(y, part.x0, part.x1))
            .collect();
        if let Some(mut resizer) = self.resizer.take() {
            let mut ready: Vec<Vec<Premul>> = Vec::new();
            for row in rows {
                resizer.push(row, &mut |_, pixels| ready.push(pixels.to_vec()));
            }
            self.resizer = Some(resizer);
            let ready: Vec<&[Premul]> = ready.iter().map(Vec::as_slice).collect();
            let none = vec![None; ready.len()];
            let codes = self.coder.rows(self.row, &ready, &none);
            return self.push(codes, ready.len() as u32);
        }
        let stored: Vec<Option<&[Stored]>> = (part.y0..part.y1)
            .map(|y| band.stored.as_ref().map(|s| s.span(y, part.x0, part.x1)))
            .collect();
        let codes = self.coder.rows(self.row, &rows, &stored);
        self.push(codes, rows.len() as u32)
    }
}

fn fault(output: &OutputPlan, fault: &WriteFault) -> Finding {
    // What the disk refuses is not the scene's doing; what the format refuses is.
    let id = match fault {
        WriteFault::Io(_) => "output-unwritable",
        _ => "output-unsuitable",
    };
    Finding::stop(
        id,
        format!("{} can't be written: {fault}", output.target.file),
    )
    .at(output.target.file_span)
    .output(output.name.as_str())
}
