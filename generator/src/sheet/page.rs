//! The page: the template filled in.

use askama::Template;

use super::gather::Bag;

/// The kit sheet.
#[derive(Template)]
#[template(path = "sheet.html")]
pub struct Page<'a> {
    pub title: &'a str,
    pub made: &'a str,
    pub version: &'a str,
    /// What to build next, in the words of `kit next`, line by line; empty where nothing is suspect.
    pub next: &'a [String],
    pub bag: &'a Bag,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::{Kind, Ledger, Piece};

    /// Whatever people wrote stands in the page as they wrote it, and nothing in it comes from elsewhere.
    #[test]
    fn the_page_is_whole_by_itself_and_escapes_what_people_wrote() {
        let place = std::env::temp_dir().join(format!("kitproof-page-{}", std::process::id()));
        let mut ledger = Ledger::open(&place.join("ledger.sqlite")).unwrap();
        let tap =
            Piece { maker: Some("<script>alert(1)</script>".to_owned()), ..Piece::new("T-1", Kind::Tap) };
        ledger.add(&tap).unwrap();
        ledger.record(&crate::report::sample_run()).unwrap();
        let bag = super::super::gather::gather(&ledger, 365).unwrap();
        let next = ["generator --P-1-- reflector".to_owned()];
        let page =
            Page { title: "A & B", made: "today", version: "0", next: &next, bag: &bag }.render().unwrap();
        std::fs::remove_dir_all(&place).unwrap();
        assert!(!page.contains("<script"), "it needs no script");
        assert!(page.contains("&#60;script&#62;") && page.contains("A &#38; B"));
        for outside in ["http://", "https://", "src=\"//", "@import", "url("] {
            let found = page.replace("http://www.w3.org/2000/svg", "").contains(outside);
            assert!(!found, "{outside}");
        }
        assert!(page.contains("<svg") && page.contains("kitproof prove eth1 --through T-1"));
    }
}
