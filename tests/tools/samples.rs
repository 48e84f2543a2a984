//! Dumps samples of picture files, for comparison with outside readers.
//!
//! Each line of the input is `X Y WIDTH HEIGHT PATH`, a rectangle of the frame as seen (width 0: the whole frame).
//! Each answer is one line, `error WHY` or `ok KEY=VALUE ...` with a last `bytes=N`, and N raw bytes: the samples,
//! little-endian, interleaved, row by row.

use platewright::budget::Account;
use platewright::frame::{Frame, SampleBuffer};
use platewright::geom::Rect;
use std::io::{BufRead, Write};
use std::path::Path;

/// Enough for every picture the checks make, and a limit for the hostile ones.
const MEMORY: u64 = 256 << 20;

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    for line in std::io::stdin().lock().lines() {
        match answer(&line?) {
            Ok((head, samples)) => {
                writeln!(out, "ok {head} bytes={}", samples.len())?;
                out.write_all(&samples)?;
            }
            Err(why) => writeln!(out, "error {why}")?,
        }
        out.flush()?;
    }
    Ok(())
}

fn answer(line: &str) -> Result<(String, Vec<u8>), String> {
    let mut words = line.splitn(5, ' ');
    let mut number = || words.next().and_then(|word| word.parse::<u32>().ok());
    let (Some(x), Some(y), Some(width), Some(height)) = (number(), number(), number(), number())
    else {
        return Err("a line is X Y WIDTH HEIGHT PATH".to_owned());
    };
    let path = words.next().ok_or("no path")?;
    let account = Account::new(MEMORY);
    let frame = Frame::open(Path::new(path), &account).map_err(|why| why.to_string())?;
    let rect = if width == 0 {
        frame.rect()
    } else {
        Rect::new(x as i32, y as i32, width, height)
    };
    let samples = frame
        .samples(rect, &account)
        .map_err(|why| why.to_string())?;
    let header = frame.header();
    let profile = match &header.profile {
        platewright::frame::Embedded::None => "none".to_owned(),
        platewright::frame::Embedded::Icc(icc) => format!("icc:{}", icc.len()),
        platewright::frame::Embedded::Named(named) => format!("{named:?}"),
    };
    let head = format!(
        "width={} height={} channels={} colour={:?} alpha={:?} kind={:?} orientation={} format={:?} profile={profile}",
        rect.width(),
        rect.height(),
        samples.channels,
        header.colour,
        header.alpha,
        header.kind,
        header.orientation,
        header.format,
    );
    let bytes = match samples.buffer {
        SampleBuffer::U8(codes) => codes,
        SampleBuffer::U16(codes) => codes.iter().flat_map(|code| code.to_le_bytes()).collect(),
        SampleBuffer::U32(codes) => codes.iter().flat_map(|code| code.to_le_bytes()).collect(),
        SampleBuffer::F32(values) => values
            .iter()
            .flat_map(|value| value.to_le_bytes())
            .collect(),
    };
    Ok((head, bytes))
}
