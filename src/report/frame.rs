//! The frame of every page: head, policy, caution, and how text and figures look. Pages are made to
//! be opened from disk: they ask no network and can be read without a script.

use maud::{DOCTYPE, Markup, html};

/// `page.css`: what all pages look like, then what is this page's own.
pub fn style(own: &str) -> Vec<u8> {
    [include_str!("base.css"), own].concat().into_bytes()
}

/// Nothing but the files beside the page: no network, no script in the page, no frame, no form.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; media-src 'self'; base-uri 'none'; form-action 'none'";

/// Stands wherever something can be played.
pub const CAUTION: &str = "Turn the volume down before you listen: drums can be loud without warning, and loud sound \
    for long harms hearing. The player starts quietly; the volume of your system is not known here. How much is \
    allowed is a matter of the rules where you work; for advice on your own hearing ask a licensed professional.";

/// A page. `folder` leads from it to its small files, of which `page.css` is one; `scripts` are
/// names in there, run in order once the page is read.
pub fn document(title: &str, folder: &str, scripts: &[&str], body: Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                link rel="stylesheet" href={ (folder) "/page.css" };
                @for script in scripts { script defer src={ (folder) "/" (script) } {} }
            }
            body {
                a.skip href="#main" { "Skip to the content" }
                (body)
            }
        }
    }
}
