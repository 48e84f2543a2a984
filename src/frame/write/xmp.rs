//! The XMP packet of an output: one fixed template, properties in sorted order, no date unless one is given.
//!
//! Sources: XMP, ISO 16684-1 (packet and namespaces); IPTC Photo Metadata Standard, "Digital Source Type" with the
//! term `compositeCapture` of its controlled vocabulary: a composite of elements that are all captures of real life.

use super::words::printable;
use super::{Words, WriteFault};

/// The longest packet, so that the same words fit every format: a JPEG segment holds 65,533 bytes and names the packet with 29.
const PACKET_LIMIT: usize = 65_533 - 29;

/// The packet for these words. Refuses words that make it longer than a JPEG segment.
pub(super) fn packet(words: &Words) -> Result<String, WriteFault> {
    let mut properties = String::new();
    let mut add = |property: String| {
        properties.push_str(&property);
        properties.push('\n');
    };
    add("<Iptc4xmpExt:DigitalSourceType>http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture</Iptc4xmpExt:DigitalSourceType>".to_string());
    if let Some(creator) = printable(&words.creator) {
        let creator = escaped(&creator);
        add(format!(
            "<dc:creator><rdf:Seq><rdf:li>{creator}</rdf:li></rdf:Seq></dc:creator>"
        ));
    }
    for (name, text) in [("rights", &words.rights), ("title", &words.title)] {
        if let Some(text) = printable(text) {
            let text = escaped(&text);
            add(format!(
                "<dc:{name}><rdf:Alt><rdf:li xml:lang=\"x-default\">{text}</rdf:li></rdf:Alt></dc:{name}>"
            ));
        }
    }
    add("<xmp:CreatorTool>Platewright</xmp:CreatorTool>".to_string());
    if let Some(date) = words.date {
        add(format!("<xmp:ModifyDate>{}</xmp:ModifyDate>", date.iso()));
    }
    let packet = format!(
        "<?xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>
<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">
<rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">
<rdf:Description rdf:about=\"\" xmlns:Iptc4xmpExt=\"http://iptc.org/std/Iptc4xmpExt/2008-02-29/\" \
         xmlns:dc=\"http://purl.org/dc/elements/1.1/\" xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\">
{properties}</rdf:Description>
</rdf:RDF>
</x:xmpmeta>
<?xpacket end=\"r\"?>"
    );
    if packet.len() > PACKET_LIMIT {
        return Err(WriteFault::Long {
            what: "title, creator and rights together",
            bytes: packet.len(),
            limit: PACKET_LIMIT,
        });
    }
    Ok(packet)
}

/// Text as the content of an XML element; a carriage return by number, since parsers turn it into a line feed.
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '\r' => escaped.push_str("&#13;"),
            c => escaped.push(c),
        }
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::super::Moment;
    use super::*;

    #[test]
    fn the_packet_is_a_fixed_template() {
        let words = Words {
            title: Some("Indigo <ink>, 50 ml & \"nibs\"".into()),
            creator: Some("Studio\u{0} Example".into()),
            rights: Some("© 2026\r\nStudio Example".into()),
            date: Moment::of_unix(1_000_000_000),
        };
        insta::assert_snapshot!(packet(&words).unwrap(), @r#"
        <?xpacket begin="﻿" id="W5M0MpCehiHzreSzNTczkc9d"?>
        <x:xmpmeta xmlns:x="adobe:ns:meta/">
        <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
        <rdf:Description rdf:about="" xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/">
        <Iptc4xmpExt:DigitalSourceType>http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture</Iptc4xmpExt:DigitalSourceType>
        <dc:creator><rdf:Seq><rdf:li>Studio Example</rdf:li></rdf:Seq></dc:creator>
        <dc:rights><rdf:Alt><rdf:li xml:lang="x-default">© 2026&#13;
        Studio Example</rdf:li></rdf:Alt></dc:rights>
        <dc:title><rdf:Alt><rdf:li xml:lang="x-default">Indigo &lt;ink&gt;, 50 ml &amp; "nibs"</rdf:li></rdf:Alt></dc:title>
        <xmp:CreatorTool>Platewright</xmp:CreatorTool>
        <xmp:ModifyDate>2001-09-09T01:46:40Z</xmp:ModifyDate>
        </rdf:Description>
        </rdf:RDF>
        </x:xmpmeta>
        <?xpacket end="r"?>
        "#);
        insta::assert_snapshot!(packet(&Words::default()).unwrap(), @r#"
        <?xpacket begin="﻿" id="W5M0MpCehiHzreSzNTczkc9d"?>
        <x:xmpmeta xmlns:x="adobe:ns:meta/">
        <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
        <rdf:Description rdf:about="" xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/">
        <Iptc4xmpExt:DigitalSourceType>http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture</Iptc4xmpExt:DigitalSourceType>
        <xmp:CreatorTool>Platewright</xmp:CreatorTool>
        </rdf:Description>
        </rdf:RDF>
        </x:xmpmeta>
        <?xpacket end="r"?>
        "#);
    }

    #[test]
    fn words_that_fill_a_segment_are_refused() {
        let words = Words {
            title: Some("&".repeat(20_000)),
            ..Words::default()
        };
        insta::assert_snapshot!(packet(&words).unwrap_err(), @"title, creator and rights together would take 100652 bytes; at most 65504 are written");
    }
}
