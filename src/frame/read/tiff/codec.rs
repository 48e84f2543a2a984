//! Compressed bytes of one chunk to decoded bytes, as a stream: never more in memory than a window, and never
//! more decoded than asked for.

use super::super::FrameError;
use super::super::octets::Octets;
use super::grid::Extent;
use super::meaning::Compression;
use miniz_oxide::inflate::TINFLStatus;
use miniz_oxide::inflate::core::{DecompressorOxide, decompress, inflate_flags};
use weezl::{BitOrder, LzwStatus};

/// Compressed bytes read at a time.
pub const INPUT: usize = 1 << 18;
/// Decoded bytes Deflate may look back into and runs ahead by; a power of two, at least 32 KiB.
pub const WINDOW: usize = 1 << 18;

/// A chunk's decoded bytes in order.
pub struct Stream<'a, B: Octets + ?Sized> {
    input: Input<'a, B>,
    codec: Codec,
}

enum Codec {
    None,
    Lzw(weezl::decode::Decoder),
    Deflate(Box<Inflate>),
    PackBits {
        literal: usize,
        run: usize,
        value: u8,
    },
}

impl<'a, B: Octets + ?Sized> Stream<'a, B> {
    pub fn new(bytes: &'a B, extent: Extent, compression: Compression) -> Stream<'a, B> {
        let codec = match compression {
            Compression::None => Codec::None,
            // TIFF switches code size one code early.
            Compression::Lzw => Codec::Lzw(weezl::decode::Decoder::with_tiff_size_switch(
                BitOrder::Msb,
                8,
            )),
            Compression::Deflate => Codec::Deflate(Box::new(Inflate::new())),
            Compression::PackBits => Codec::PackBits {
                literal: 0,
                run: 0,
                value: 0,
            },
        };
        Stream {
            input: Input {
                bytes,
                at: extent.at,
                left: extent.bytes,
                block: Vec::new(),
                used: 0,
            },
            codec,
        }
    }

    /// Memory one stream may take for `compressed` bytes.
    pub fn memory(compression: Compression, compressed: u64) -> u64 {
        let input = compressed.min(INPUT as u64);
        input
            + match compression {
                Compression::None | Compression::PackBits => 0,
                // weezl's tables: 4096 links and a buffer, rounded up.
                Compression::Lzw => 64 << 10,
                Compression::Deflate => (WINDOW + (16 << 10)) as u64,
            }
    }

    /// Fills all of `out`; the error says how many bytes were there instead.
    pub fn fill(&mut self, out: &mut [u8]) -> Result<(), Short> {
        let got = match &mut self.codec {
            Codec::None => self.input.copy(out),
            Codec::Lzw(decoder) => lzw(&mut self.input, decoder, out),
            Codec::Deflate(inflate) => inflate.fill(&mut self.input, out),
            Codec::PackBits {
                literal,
                run,
                value,
            } => packbits(&mut self.input, literal, run, value, out),
        }
        .map_err(Short::Broken)?;
        if got == out.len() {
            Ok(())
        } else {
            Err(Short::Ended { got })
        }
    }

    /// After the last byte of a chunk: looks at the checksum, where there is one. Some writers fill a last strip up: up
    /// to `spare` bytes more are no fault, and neither are some more that mean nothing.
    pub fn end(&mut self, spare: u64) -> Result<(), Short> {
        match &mut self.codec {
            Codec::Deflate(inflate) => inflate
                .end(&mut self.input, spare.saturating_add(SLACK))
                .map_err(Short::Broken),
            _ => Ok(()),
        }
    }
}

/// Bytes of nothing behind a chunk that are looked through for its checksum.
const SLACK: u64 = 1 << 16;

/// Why a stream gave too little.
#[derive(Debug)]
pub enum Short {
    /// It ended after `got` bytes of this request.
    Ended {
        got: usize,
    },
    Broken(Fault),
}

/// A read error, or a sentence about the compressed data.
#[derive(Debug)]
pub enum Fault {
    Read(FrameError),
    Data(&'static str),
}

/// Compressed bytes, a block at a time.
struct Input<'a, B: Octets + ?Sized> {
    bytes: &'a B,
    at: u64,
    left: u64,
    block: Vec<u8>,
    used: usize,
}

impl<B: Octets + ?Sized> Input<'_, B> {
    /// The bytes at hand; empty only at the end.
    fn ready(&mut self) -> Result<&[u8], Fault> {
        if self.used == self.block.len() && self.left > 0 {
            let take = self.left.min(INPUT as u64) as usize;
            self.block.resize(take, 0);
            self.bytes
                .read(self.at, &mut self.block, "a strip or tile")
                .map_err(Fault::Read)?;
            self.at += take as u64;
            self.left -= take as u64;
            self.used = 0;
        }
        Ok(&self.block[self.used..])
    }

    fn copy(&mut self, out: &mut [u8]) -> Result<usize, Fault> {
        let mut done = 0;
        while done < out.len() {
            let ready = self.ready()?;
            if ready.is_empty() {
                break;
            }
            let count = ready.len().min(out.len() - done);
            out[done..done + count].copy_from_slice(&ready[..count]);
            self.used += count;
            done += count;
        }
        Ok(done)
    }

    fn byte(&mut self) -> Result<Option<u8>, Fault> {
        let byte = self.ready()?.first().copied();
        self.used += usize::from(byte.is_some());
        Ok(byte)
    }
}

fn lzw<B: Octets + ?Sized>(
    input: &mut Input<'_, B>,
    decoder: &mut weezl::decode::Decoder,
    out: &mut [u8],
) -> Result<usize, Fault> {
    let mut done = 0;
    while done < out.len() {
        let ready = input.ready()?;
        let ended = ready.is_empty();
        let result = decoder.decode_bytes(ready, &mut out[done..]);
        input.used += result.consumed_in;
        done += result.consumed_out;
        match result.status {
            Ok(LzwStatus::Ok) => {}
            Ok(LzwStatus::NoProgress) if !ended && result.consumed_in > 0 => {}
            Ok(LzwStatus::NoProgress | LzwStatus::Done) => break,
            Err(_) => return Err(Fault::Data("its LZW codes make no sense")),
        }
    }
    Ok(done)
}

/// Bytes are bounded by what is asked for: PackBits (TIFF 6.0 section 9) keeps its place between calls.
fn packbits<B: Octets + ?Sized>(
    input: &mut Input<'_, B>,
    literal: &mut usize,
    run: &mut usize,
    value: &mut u8,
    out: &mut [u8],
) -> Result<usize, Fault> {
    let mut done = 0;
    while done < out.len() {
        let room = out.len() - done;
        if *literal > 0 {
            let count = room.min(*literal);
            let got = input.copy(&mut out[done..done + count])?;
            done += got;
            *literal -= got;
            if got < count {
                break;
            }
        } else if *run > 0 {
            let count = room.min(*run);
            out[done..done + count].fill(*value);
            done += count;
            *run -= count;
        } else {
            let Some(code) = input.byte()? else { break };
            match code {
                0..=127 => *literal = usize::from(code) + 1,
                128 => {}
                _ => {
                    let Some(repeated) = input.byte()? else { break };
                    *value = repeated;
                    *run = 257 - usize::from(code);
                }
            }
        }
    }
    Ok(done)
}

/// Zlib data through a ring that is both history and output.
struct Inflate {
    state: DecompressorOxide,
    ring: Vec<u8>,
    /// Decoded bytes not yet handed out: `ring[from..to]`.
    from: usize,
    to: usize,
    done: bool,
    /// What went wrong after the bytes in hand; they were right.
    failed: Option<&'static str>,
}

impl Inflate {
    fn new() -> Inflate {
        Inflate {
            state: DecompressorOxide::new(),
            ring: vec![0; WINDOW],
            from: 0,
            to: 0,
            done: false,
            failed: None,
        }
    }

    fn fill<B: Octets + ?Sized>(
        &mut self,
        input: &mut Input<'_, B>,
        out: &mut [u8],
    ) -> Result<usize, Fault> {
        let mut filled = 0;
        while filled < out.len() {
            if self.from == self.to && !self.more(input)? {
                break;
            }
            let count = (self.to - self.from).min(out.len() - filled);
            out[filled..filled + count].copy_from_slice(&self.ring[self.from..self.from + count]);
            self.from += count;
            filled += count;
        }
        Ok(filled)
    }

    /// Decodes to the end of the stream, where its checksum stands. Damaged data often decodes on and on.
    fn end<B: Octets + ?Sized>(
        &mut self,
        input: &mut Input<'_, B>,
        most: u64,
    ) -> Result<(), Fault> {
        let mut spare = 0;
        loop {
            spare += (self.to - self.from) as u64;
            self.from = self.to;
            if spare > most {
                return Err(Fault::Data("its Deflate data goes on far beyond it"));
            }
            if !self.more(input)? {
                return Ok(());
            }
        }
    }

    /// Decodes some more into the ring; false at the end of the stream.
    fn more<B: Octets + ?Sized>(&mut self, input: &mut Input<'_, B>) -> Result<bool, Fault> {
        if self.to == self.ring.len() {
            (self.from, self.to) = (0, 0);
        }
        while !self.done && self.from == self.to {
            let ready = input.ready()?;
            let mut flags = inflate_flags::TINFL_FLAG_PARSE_ZLIB_HEADER;
            let ended = ready.is_empty();
            if !ended {
                flags |= inflate_flags::TINFL_FLAG_HAS_MORE_INPUT;
            }
            let (status, used, made) =
                decompress(&mut self.state, ready, &mut self.ring, self.to, flags);
            input.used += used;
            self.to += made;
            match status {
                TINFLStatus::Done => self.done = true,
                TINFLStatus::HasMoreOutput => {}
                TINFLStatus::NeedsMoreInput if !ended => {}
                TINFLStatus::NeedsMoreInput | TINFLStatus::FailedCannotMakeProgress => {
                    self.done = true;
                }
                TINFLStatus::Adler32Mismatch => {
                    self.done = true;
                    self.failed = Some("its Deflate checksum does not fit its data");
                }
                TINFLStatus::Failed | TINFLStatus::BadParam => {
                    self.done = true;
                    self.failed = Some("its Deflate data makes no sense");
                }
            }
        }
        match self.failed {
            Some(fault) if self.from == self.to => Err(Fault::Data(fault)),
            _ => Ok(self.from < self.to),
        }
    }
}
