//! The kit sheet: one self-contained page that goes with the bag. Made from the ledger; no port, no script.
//!
//! | file | idea |
//! | --- | --- |
//! | [`gather`] | what the ledger says of the bag, as the page shows it |
//! | [`run`] | one run as the page shows it |
//! | [`chart`] | drawings: SVG without a script, told apart by dashes and marks as well as by colour |
//! | [`page`] | the page (`templates/sheet.html`) |

pub mod chart;
pub mod gather;
pub mod page;
pub mod run;
