//! What can be typed.

use clap::{Args, Parser, Subcommand, ValueEnum};
use clap_complete::Shell;
use std::path::PathBuf;

#[derive(Debug, Parser)]
#[command(
    name = "platewright",
    version,
    about = "Assembles a picture from a plate and many frames, as one text file says",
    before_help = "Example:\n  \
        platewright render scene.kdl                  the master and every crop, beside the scene\n  \
        platewright render scene.kdl --preview 1200   small pictures to look at first",
    after_help = "Exit codes: 0 done, 1 the scene needs attention, 2 the command line or the machine does",
    disable_help_subcommand = true
)]
pub(super) struct Cli {
    #[command(subcommand)]
    pub verb: Verb,
    /// Answer with one JSON object on standard output
    #[arg(long, global = true)]
    pub json: bool,
}

#[derive(Debug, Subcommand)]
pub(super) enum Verb {
    /// Compose the picture and write its outputs
    #[command(before_help = "Example:\n  platewright render scene.kdl\n  \
            platewright render scene.kdl portrait --set ink=crimson --out-dir proofs")]
    Render(RenderArgs),
    /// Report everything that is wrong with the scene and its files; writes nothing
    #[command(before_help = "Example:\n  platewright check scene.kdl")]
    Check(CheckArgs),
    /// Say what is read, where each piece lands and in which order, and the memory needed
    #[command(before_help = "Example:\n  platewright explain scene.kdl")]
    Explain(ExplainArgs),
    /// Say who is at a point of the picture, front to back, and where that is in each frame
    #[command(before_help = "Example:\n  platewright at scene.kdl 812 403.5")]
    At(AtArgs),
    /// Lay out scene files the one usual way, comments kept
    #[command(before_help = "Example:\n  platewright fmt scene.kdl\n  \
            platewright fmt --check scenes/*.kdl     names the files that are laid out otherwise\n  \
            platewright fmt - < scene.kdl            the text comes out on standard output")]
    Fmt(FmtArgs),
    /// Cut a piece out of a frame by its plate, without a scene: matte, colour, shadow, a sheet to check
    #[command(before_help = "Example:\n  \
            platewright cutout nib-11.tif --plate dry-1.tif --out cut\n  \
            platewright cutout nib-11.tif --plate dry-1.tif dry-2.tif --out cut \\\n    \
              --within \"812,344 1090,330 1122,610 840,640\"")]
    Cutout(CutoutArgs),
    /// Write settled values into the scene, so that nothing moves when a mask is edited later
    #[command(before_help = "Example:\n  platewright pin scene.kdl\n  \
            platewright pin --check scene.kdl     says what would be written")]
    Pin(PinArgs),
    /// Print what a shell needs to complete these words
    #[command(before_help = "Example:\n  platewright completions bash > platewright.bash")]
    Completions(CompletionsArgs),
    /// Print the manual page
    #[command(before_help = "Example:\n  platewright man > platewright.1\n  \
            platewright man render > platewright-render.1")]
    Man(ManArgs),
}

impl Verb {
    /// As typed.
    pub fn name(&self) -> &'static str {
        match self {
            Verb::Render(_) => "render",
            Verb::Check(_) => "check",
            Verb::Explain(_) => "explain",
            Verb::At(_) => "at",
            Verb::Fmt(_) => "fmt",
            Verb::Cutout(_) => "cutout",
            Verb::Pin(_) => "pin",
            Verb::Completions(_) => "completions",
            Verb::Man(_) => "man",
        }
    }
}

#[derive(Args, Debug)]
pub(super) struct SceneArgs {
    /// The scene file
    pub scene: PathBuf,
    /// Set a parameter of the scene; may be repeated
    #[arg(long = "set", value_name = "NAME=VALUE", value_parser = setting)]
    pub settings: Vec<(String, String)>,
    /// Most memory for pictures: 6GiB, 900MiB
    #[arg(long, value_name = "SIZE", default_value = "8GiB", value_parser = memory)]
    pub memory: u64,
    /// Threads to use, one a core by default; never changes a byte
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// Cut out every piece anew: neither use nor keep what other runs found
    #[arg(long)]
    pub no_store: bool,
}

#[derive(Args, Debug)]
pub(super) struct RenderArgs {
    #[command(flatten)]
    pub scene: SceneArgs,
    /// Only these outputs; all when none is named
    #[arg(value_name = "OUTPUT")]
    pub outputs: Vec<String>,
    /// Where output files go; the scene's own folder by default
    #[arg(long, value_name = "DIR")]
    pub out_dir: Option<PathBuf>,
    /// Write small PNGs instead, at most N pixels long, with guides drawn
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=16384))]
    pub preview: Option<u32>,
    /// Write every element's cut-out too, into DIR/cutouts/MEMBER/
    #[arg(long)]
    pub cutouts: bool,
}

#[derive(Args, Debug)]
pub(super) struct CheckArgs {
    #[command(flatten)]
    pub scene: SceneArgs,
    /// Only these outputs; all when none is named
    #[arg(value_name = "OUTPUT")]
    pub outputs: Vec<String>,
    /// Where output files would go; the scene's own folder by default
    #[arg(long, value_name = "DIR")]
    pub out_dir: Option<PathBuf>,
}

#[derive(Args, Debug)]
pub(super) struct ExplainArgs {
    #[command(flatten)]
    pub scene: SceneArgs,
    /// Only these outputs; all when none is named
    #[arg(value_name = "OUTPUT")]
    pub outputs: Vec<String>,
}

#[derive(Args, Debug)]
pub(super) struct AtArgs {
    #[command(flatten)]
    pub scene: SceneArgs,
    /// Canvas pixels from the left
    #[arg(allow_negative_numbers = true)]
    pub x: f64,
    /// Canvas pixels from the top
    #[arg(allow_negative_numbers = true)]
    pub y: f64,
    /// As this output shows it; the first one by default
    #[arg(long, value_name = "OUTPUT")]
    pub output: Option<String>,
}

#[derive(Args, Debug)]
pub(super) struct FmtArgs {
    /// Scene files; - reads standard input and writes standard output
    #[arg(required = true, value_name = "SCENE")]
    pub scenes: Vec<PathBuf>,
    /// Change nothing; name files laid out otherwise, and exit with 1 if there are any
    #[arg(long)]
    pub check: bool,
}

#[derive(Args, Debug)]
pub(super) struct CutoutArgs {
    /// The frame with the piece
    pub frame: PathBuf,
    /// The empty set at the frame's size; several files are one set shot again
    #[arg(long = "plate", value_name = "FILE", required = true, num_args = 1..)]
    pub plates: Vec<PathBuf>,
    /// Where the files go; made if missing
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Only in here, frame pixels: a polygon "x,y x,y x,y", or a gray file
    #[arg(long, value_name = "AREA")]
    pub within: Option<String>,
    /// How many standard deviations of noise count as different, 1 to 50
    #[arg(long, value_name = "N", value_parser = deviations)]
    pub sigma: Option<f64>,
    /// Movement of the camera: shift, similarity (the default), perspective
    #[arg(
        long,
        value_name = "KIND",
        value_enum,
        default_value = "similarity",
        hide_possible_values = true,
        hide_default_value = true
    )]
    pub align: Movement,
    /// The camera stood still: nothing is aligned
    #[arg(long, conflicts_with = "align")]
    pub no_align: bool,
    /// The profile of files that carry none: srgb, another name, an .icc file
    #[arg(long, value_name = "PROFILE")]
    pub profile: Option<String>,
    /// Most memory for pictures: 6GiB, 900MiB
    #[arg(long, value_name = "SIZE", default_value = "8GiB", value_parser = memory)]
    pub memory: u64,
    /// Threads to use, one a core by default; never changes a byte
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Movement {
    Shift,
    Similarity,
    Perspective,
}

#[derive(Args, Debug)]
pub(super) struct PinArgs {
    #[command(flatten)]
    pub scene: SceneArgs,
    /// Change nothing; say what would be written; exit with 1 if anything would
    #[arg(long)]
    pub check: bool,
}

#[derive(Args, Debug)]
pub(super) struct CompletionsArgs {
    /// The shell
    #[arg(value_name = "SHELL")]
    pub shell: Shell,
}

#[derive(Args, Debug)]
pub(super) struct ManArgs {
    /// The page of this verb instead
    #[arg(value_name = "VERB")]
    pub verb: Option<String>,
}

fn deviations(typed: &str) -> Result<f64, String> {
    match typed.parse::<f64>() {
        Ok(number) if (1.0..=50.0).contains(&number) => Ok(number),
        _ => Err("a number from 1 to 50 is allowed".to_owned()),
    }
}

fn setting(typed: &str) -> Result<(String, String), String> {
    match typed.split_once('=') {
        Some((name, value)) if !name.is_empty() => Ok((name.to_owned(), value.to_owned())),
        _ => Err("write name=value".to_owned()),
    }
}

/// "6 GiB", "900 MiB", "1.5 GiB": binary units, as memory is counted.
fn memory(typed: &str) -> Result<u64, String> {
    let wrong = || format!("\"{typed}\" is no size; write \"6 GiB\" or \"900 MiB\"");
    let typed_trimmed = typed.trim();
    let at = typed_trimmed
        .find(|c: char| !(c.is_ascii_digit() || c == '.'))
        .ok_or_else(wrong)?;
    let (number, unit) = typed_trimmed.split_at(at);
    let number: f64 = number.parse().map_err(|_| wrong())?;
    let unit = match unit.trim() {
        "KiB" => 1u64 << 10,
        "MiB" => 1 << 20,
        "GiB" => 1 << 30,
        _ => return Err(wrong()),
    };
    let bytes = number * unit as f64;
    if !(bytes >= (1u64 << 20) as f64 && bytes <= (1u64 << 50) as f64) {
        return Err("between 1 MiB and 1,048,576 GiB are allowed".to_owned());
    }
    Ok(bytes as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_of_memory() {
        assert_eq!(memory("1.5 GiB"), Ok(3 << 29));
        assert_eq!(memory("900MiB"), Ok(900 << 20));
        for wrong in ["", "8", "8 GB", "-1 GiB", "1 KiB", "9999999999 GiB"] {
            assert!(memory(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn the_command_line_is_sound() {
        use clap::CommandFactory;
        Cli::command().debug_assert();
    }
}
