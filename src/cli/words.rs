//! What goes into every file's metadata. The date is the maker's own, never the clock's.

use crate::diag::{Finding, Spanned};
use crate::frame::write::{Moment, Words};
use crate::scene::Scene;

pub(super) fn words(scene: &Scene) -> Result<Words, Finding> {
    let date = match std::env::var_os("SOURCE_DATE_EPOCH") {
        None => None,
        Some(text) => {
            let text = text.to_string_lossy();
            let moment = text.parse().ok().and_then(Moment::of_unix);
            Some(moment.ok_or_else(|| {
                Finding::stop(
                    "date-unreadable",
                    format!("the environment's SOURCE_DATE_EPOCH is \"{text}\", which is no date"),
                )
                .allowed("whole seconds since 1970-01-01, or leave it unset for no date")
            })?)
        }
    };
    let said = |text: &Option<Spanned<String>>| text.as_ref().map(|t| t.value.clone());
    Ok(Words {
        title: said(&scene.title),
        creator: said(&scene.creator),
        rights: said(&scene.rights),
        date,
    })
}
