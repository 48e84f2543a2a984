//! What the nodes of an output say together: the file's name, its format, and what that format can hold.

use super::Reader;
use crate::diag::{Finding, Span, Spanned};
use crate::scene::model::{
    Compression, Crop, Depth, Edits, Format, Guides, Hex, Intent, Output, ProfileName, Sharpen,
    Size, Stage,
};
use crate::scene::suggest::nearest;
use crate::scene::tree::Node;
use crate::scene::words::quoted;

/// An output's nodes as they were found.
#[derive(Default)]
pub(super) struct Draft {
    pub(super) file: Option<Spanned<String>>,
    /// A `file` node was there, good or not.
    pub(super) file_told: bool,
    pub(super) crop: Option<Spanned<Crop>>,
    pub(super) bleed: Option<Spanned<f64>>,
    /// `unit="mm"`.
    pub(super) bleed_mm: Option<Span>,
    pub(super) size: Option<Spanned<Size>>,
    pub(super) profile: Option<Spanned<ProfileName>>,
    pub(super) intent: Option<Spanned<Intent>>,
    pub(super) depth: Option<Spanned<Depth>>,
    pub(super) compression: Option<Spanned<Compression>>,
    pub(super) quality: Option<Spanned<u8>>,
    pub(super) max_bytes: Option<Spanned<u64>>,
    pub(super) sharpen: Option<Spanned<Sharpen>>,
    pub(super) no_dither: bool,
    pub(super) ppi: Option<f64>,
    pub(super) ppi_told: bool,
    pub(super) background: Option<Spanned<Hex>>,
    pub(super) member: Option<Spanned<String>>,
}

const FORMATS: [(&str, Format); 4] = [
    ("tif", Format::Tiff),
    ("png", Format::Png),
    ("jpg", Format::Jpeg),
    ("webp", Format::Webp),
];

impl Reader<'_> {
    /// The output its nodes make, with the defaults of its format put in.
    pub(super) fn settled(
        &mut self,
        node: &Node,
        name: Spanned<String>,
        off: bool,
        draft: Draft,
        stage: Stage,
        guides: Guides,
        edits: Edits,
    ) -> Output {
        let format = match &draft.file {
            Some(file) => self.file_format(file),
            None => {
                if !draft.file_told && node.children.is_some() {
                    self.tell(
                        Finding::stop(
                            "missing-node",
                            format!("output {} has no file", quoted(&name.value)),
                        )
                        .at(node.span)
                        .remedy("name it: file \"out/{scene}-{output}.tif\""),
                    );
                }
                None
            }
        };
        if let (Some(format), Some(file)) = (format, &draft.file) {
            self.fits(format, file.span, &draft);
        }
        if let (Some(max), Some(quality)) = (&draft.max_bytes, &draft.quality) {
            self.tell(
                Finding::stop(
                    "output-combination",
                    "`max-bytes` finds the quality, so `quality` can't be set too",
                )
                .at(quality.span)
                .related(max.span, "max-bytes stands here")
                .remedy("keep one of them"),
            );
        }
        if let Some(span) = draft.bleed_mm
            && !draft.ppi_told
        {
            self.tell(
                Finding::stop(
                    "output-combination",
                    "millimetres need to know how many pixels an inch holds",
                )
                .at(span)
                .remedy("add `ppi 300`, or give the bleed in px"),
            );
        }
        let format = format.unwrap_or(Format::Tiff);
        let depth = draft
            .depth
            .map_or(default_depth(format), |depth| depth.value);
        Output {
            span: node.span,
            name,
            off,
            file: draft
                .file
                .unwrap_or_else(|| Spanned::new(String::new(), node.span)),
            format,
            crop: draft.crop,
            bleed: draft.bleed.map(|bleed| match (draft.bleed_mm, draft.ppi) {
                (Some(_), Some(ppi)) => bleed.map(|mm| mm * ppi / 25.4),
                _ => bleed,
            }),
            size: draft.size,
            profile: draft.profile,
            intent: draft.intent,
            depth,
            compression: draft
                .compression
                .map_or(Compression::Deflate, |compression| compression.value),
            quality: draft.quality.map_or(90, |quality| quality.value),
            max_bytes: draft.max_bytes,
            sharpen: draft.sharpen,
            dither: !draft.no_dither,
            ppi: draft.ppi.unwrap_or(300.0),
            background: draft.background,
            stage,
            guides,
            edits,
            member: draft.member,
        }
    }

    /// The format a file's name asks for; tells names that could leave the output folder or hold no format.
    fn file_format(&mut self, file: &Spanned<String>) -> Option<Format> {
        let text = file.value.as_str();
        let fault = if text.is_empty() {
            Some("the name of the file is empty".to_owned())
        } else if text.chars().any(char::is_control) {
            Some(format!("{} holds a control character", quoted(text)))
        } else if text.contains('\\') {
            Some(format!("{} holds a backslash", quoted(text)))
        } else if text.starts_with('/') {
            Some(format!(
                "{} begins at the root, and outputs stay in the output folder",
                quoted(text)
            ))
        } else if text.split('/').any(|part| part == "..") {
            Some(format!("{} leaves the output folder by `..`", quoted(text)))
        } else if text.split('/').any(str::is_empty) {
            Some(format!(
                "{} has an empty name between its `/`",
                quoted(text)
            ))
        } else {
            None
        };
        if let Some(words) = fault {
            self.tell(
                Finding::stop("unsafe-file", words)
                    .at(file.span)
                    .allowed("a path inside the output folder, with `/` between folders")
                    .remedy("choose the output folder itself on the command line with --out-dir"),
            );
            return None;
        }
        let last = text.rsplit('/').next().unwrap_or(text);
        let extension = last.rsplit_once('.').filter(|(stem, _)| !stem.is_empty());
        let found = extension.and_then(|(_, extension)| {
            FORMATS
                .iter()
                .find(|(known, _)| extension.eq_ignore_ascii_case(known))
        });
        if let Some((_, format)) = found {
            return Some(*format);
        }
        let words = match extension {
            Some((_, extension)) => format!(
                "no format is known by .{}",
                crate::scene::words::cut(extension)
            ),
            None => format!("{} has no extension, which says the format", quoted(text)),
        };
        let near = extension.and_then(|(_, extension)| {
            let extension = extension.to_ascii_lowercase();
            match extension.as_str() {
                "jpeg" => Some("jpg"),
                "tiff" => Some("tif"),
                other => nearest(other, FORMATS.iter().map(|(known, _)| *known)),
            }
        });
        self.tell(
            Finding::stop("unknown-format", words)
                .at(file.span)
                .allowed(".tif, .png, .jpg, .webp")
                .nearest(near.map(|near| format!(".{near}")).as_deref()),
        );
        None
    }

    /// Depth, compression and quality against what the format holds.
    fn fits(&mut self, format: Format, file: Span, draft: &Draft) {
        let name = match format {
            Format::Tiff => ".tif",
            Format::Png => ".png",
            Format::Jpeg => ".jpg",
            Format::Webp => ".webp",
        };
        let lossy = matches!(format, Format::Jpeg | Format::Webp);
        if let Some(depth) = &draft.depth {
            let (good, allowed) = match format {
                Format::Tiff => (true, ""),
                Format::Png => (depth.value != Depth::ThirtyTwo, "depth 8 or 16 in .png"),
                Format::Jpeg | Format::Webp => (depth.value == Depth::Eight, "depth 8"),
            };
            if !good {
                let bits = match depth.value {
                    Depth::Eight => 8,
                    Depth::Sixteen => 16,
                    Depth::ThirtyTwo => 32,
                };
                self.misfit(
                    depth.span,
                    file,
                    format!("a {name} file can't hold depth {bits}"),
                    allowed,
                );
            }
        }
        if let Some(compression) = &draft.compression
            && format != Format::Tiff
        {
            self.misfit(
                compression.span,
                file,
                format!("`compression` is for .tif, and this is a {name} file"),
                "compression in .tif outputs only",
            );
        }
        let of_lossy = [
            ("quality", draft.quality.map(|quality| quality.span)),
            ("max-bytes", draft.max_bytes.map(|bytes| bytes.span)),
        ];
        for (node, span) in of_lossy {
            if let Some(span) = span
                && !lossy
            {
                self.misfit(
                    span,
                    file,
                    format!("`{node}` is for .jpg and .webp, and this is a {name} file"),
                    "in .jpg and .webp outputs only",
                );
            }
        }
    }

    fn misfit(&mut self, span: Span, file: Span, words: String, allowed: &str) {
        self.tell(
            Finding::stop("output-combination", words)
                .at(span)
                .related(file, "the file's name says the format")
                .allowed(allowed)
                .remedy("delete it, or change the extension"),
        );
    }
}

fn default_depth(format: Format) -> Depth {
    match format {
        Format::Tiff => Depth::Sixteen,
        _ => Depth::Eight,
    }
}
