//! The file: what stands in it, and where. Nothing is believed of it yet but that it is TOML.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A plan, read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    pub title: String,
    pub interface: String,
    /// The ledger and the sheet that is written at the end, where they are named.
    pub ledger: Option<String>,
    pub sheet: Option<String>,
    /// The line that says so, where every run keeps the frames around what went wrong.
    pub capture: Option<usize>,
    pub tests: Vec<Test>,
}

/// One test.
#[derive(Clone, Debug, PartialEq)]
pub struct Test {
    pub name: String,
    /// The command.
    pub run: String,
    /// What was typed of its options, the plan's own among them; with the line each stands in.
    pub options: Vec<Typed>,
    pub repeats: u32,
    pub on_fail: OnFail,
    pub limits: Vec<Limit>,
    pub line: usize,
}

/// An option: its name, its words, and the line it stands in.
#[derive(Clone, Debug, PartialEq)]
pub struct Typed {
    pub name: String,
    /// None: a switch.
    pub values: Vec<String>,
    /// A switch that is off: it is not typed, and the plan's own is not either.
    pub off: bool,
    pub line: usize,
}

/// What follows a fail.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum OnFail {
    #[default]
    GoOn,
    Stop,
    /// It is run twice more, to see whether it does so again. It stays a fail.
    Retest,
}

/// A figure and what it may be.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    pub measure: String,
    pub bound: Bound,
    pub line: usize,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bound {
    AtLeast(f64),
    AtMost(f64),
}

impl Bound {
    #[must_use]
    pub fn is_met(self, value: f64) -> bool {
        match self {
            Bound::AtLeast(least) => value >= least,
            Bound::AtMost(most) => value <= most,
        }
    }
}

impl std::fmt::Display for Bound {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Bound::AtLeast(least) => write!(f, "at least {least}"),
            Bound::AtMost(most) => write!(f, "at most {most}"),
        }
    }
}

/// Reads the text; every mistake is told with its line.
///
/// # Errors
/// All mistakes of form that there are, each `line N: …`.
pub(super) fn read(text: &str) -> Result<Plan, Vec<String>> {
    let table = DeTable::parse(text).map_err(|error| {
        let line = error.span().map_or(1, |span| line_of(text, &span));
        vec![format!("line {line}: this is not TOML: {}", error.message())]
    })?;
    let mut reader = Reader { text, wrong: Vec::new() };
    let plan = reader.plan(table.get_ref());
    let mut wrong = reader.wrong;
    if wrong.is_empty() {
        return Ok(plan);
    }
    wrong.sort_by_key(|(line, _)| *line);
    Err(wrong.into_iter().map(|(line, what)| format!("line {line}: {what}")).collect())
}

fn line_of(text: &str, span: &Range<usize>) -> usize {
    text.get(..span.start).map_or(1, |before| before.matches('\n').count() + 1)
}

const TOP: [&str; 9] =
    ["title", "interface", "ledger", "sheet", "capture", "repeats", "on-fail", "options", "test"];
const OF_A_TEST: [&str; 5] = ["name", "run", "repeats", "on-fail", "limits"];

struct Reader<'a> {
    text: &'a str,
    wrong: Vec<(usize, String)>,
}

type Value<'i> = Spanned<DeValue<'i>>;

impl Reader<'_> {
    fn wrong(&mut self, line: usize, what: impl std::fmt::Display) {
        self.wrong.push((line, what.to_string()));
    }

    fn line<T>(&self, spanned: &Spanned<T>) -> usize {
        line_of(self.text, &spanned.span())
    }

    fn plan(&mut self, table: &DeTable<'_>) -> Plan {
        let mut plan = Plan::default();
        let mut shared: Vec<Typed> = Vec::new();
        let (mut repeats, mut on_fail) = (1, OnFail::GoOn);
        for (key, value) in table {
            let line = self.line(key);
            match key.get_ref().as_ref() {
                "title" => plan.title = self.text(value),
                "interface" => plan.interface = self.text(value),
                "ledger" => plan.ledger = Some(self.text(value)),
                "sheet" => plan.sheet = Some(self.text(value)),
                "capture" => plan.capture = self.switch(value).then_some(line),
                "repeats" => repeats = self.count(value),
                "on-fail" => on_fail = self.on_fail(value),
                "options" => match value.get_ref().as_table() {
                    Some(options) => shared = self.options(options, &[]),
                    None => self.wrong(line, "options is a table of options, such as [options]"),
                },
                "test" => {}
                other => {
                    let hint = nearest(other, TOP.iter().copied());
                    self.wrong(line, format!("there is no key {other} here{hint}"));
                }
            }
        }
        if plan.interface.is_empty() && self.wrong.is_empty() {
            self.wrong(
                1,
                "interface is missing: the port that the kit is plugged into, interface = \"eth1\"",
            );
        }
        let tests = table.iter().find(|(key, _)| key.get_ref() == "test").map(|(_, tests)| tests);
        let none = Vec::new();
        let found: Vec<&Value<'_>> = match tests.map(Spanned::get_ref) {
            Some(DeValue::Array(tests)) => tests.iter().collect(),
            _ => none,
        };
        if found.is_empty() && self.wrong.is_empty() {
            self.wrong(1, "there is no test: each is a table, [[test]]");
        }
        for test in found {
            let line = self.line(test);
            match test.get_ref().as_table() {
                Some(table) => {
                    let test = self.test(table, line, &shared, repeats, on_fail);
                    plan.tests.push(test);
                }
                None => self.wrong(line, "a test is a table, [[test]]"),
            }
        }
        let mut names = BTreeMap::new();
        for test in &plan.tests {
            if let Some(first) = names.insert(test.name.clone(), test.line) {
                self.wrong
                    .push((test.line, format!("{} is the name of the test of line {first} too", test.name)));
            }
        }
        plan
    }

    fn test(
        &mut self,
        table: &DeTable<'_>,
        line: usize,
        shared: &[Typed],
        repeats: u32,
        on_fail: OnFail,
    ) -> Test {
        let mut test = Test {
            name: String::new(),
            run: String::new(),
            options: Vec::new(),
            repeats,
            on_fail,
            limits: Vec::new(),
            line,
        };
        for (key, value) in table {
            match key.get_ref().as_ref() {
                "name" => test.name = self.text(value),
                "run" => test.run = self.text(value),
                "repeats" => test.repeats = self.count(value),
                "on-fail" => test.on_fail = self.on_fail(value),
                "limits" => test.limits = self.limits(value),
                _ => {}
            }
        }
        for (missing, what) in [(test.name.is_empty(), "name"), (test.run.is_empty(), "run")] {
            if missing {
                self.wrong(line, format!("this test has no {what}"));
            }
        }
        test.options = self.options(table, &OF_A_TEST);
        let own: Vec<&str> = test.options.iter().map(|typed| typed.name.as_str()).collect();
        let of_plan: Vec<Typed> =
            shared.iter().filter(|typed| !own.contains(&typed.name.as_str())).cloned().collect();
        test.options.splice(0..0, of_plan);
        test
    }

    fn options(&mut self, table: &DeTable<'_>, but: &[&str]) -> Vec<Typed> {
        let mut options = Vec::new();
        for (key, value) in table.iter().filter(|(key, _)| !but.contains(&key.get_ref().as_ref())) {
            let line = self.line(key);
            let name = key.get_ref().to_string();
            match value.get_ref() {
                DeValue::Boolean(on) => options.push(Typed { name, values: Vec::new(), off: !on, line }),
                DeValue::Array(values) => {
                    let words: Vec<Option<String>> =
                        values.iter().map(|value| word(value.get_ref())).collect();
                    match words.into_iter().collect::<Option<Vec<String>>>() {
                        Some(values) if !values.is_empty() => {
                            options.push(Typed { name, values, off: false, line })
                        }
                        _ => self.wrong(line, format!("{name} is a list of words or numbers")),
                    }
                }
                single => match word(single) {
                    Some(value) => options.push(Typed { name, values: vec![value], off: false, line }),
                    None => self.wrong(line, format!("{name} is a word, a number, a list of them, or true")),
                },
            }
        }
        options
    }

    fn limits(&mut self, value: &Value<'_>) -> Vec<Limit> {
        let Some(table) = value.get_ref().as_table() else {
            let line = self.line(value);
            self.wrong(line, "limits is a table, such as limits = { frames-lost = { at-most = 0 } }");
            return Vec::new();
        };
        let mut limits = Vec::new();
        for (key, bounds) in table {
            let line = self.line(key);
            let measure = key.get_ref().to_string();
            let Some(bounds) = bounds.get_ref().as_table() else {
                self.wrong(line, format!("{measure} needs at-least or at-most, such as {{ at-most = 0 }}"));
                continue;
            };
            for (name, number) in bounds {
                let value = word(number.get_ref()).and_then(|text| text.parse::<f64>().ok());
                match (name.get_ref().as_ref(), value) {
                    ("at-least", Some(value)) => {
                        limits.push(Limit { measure: measure.clone(), bound: Bound::AtLeast(value), line });
                    }
                    ("at-most", Some(value)) => {
                        limits.push(Limit { measure: measure.clone(), bound: Bound::AtMost(value), line });
                    }
                    (other, _) => {
                        let text = format!("{measure}: {other} is not at-least or at-most with a number");
                        self.wrong(line, text);
                    }
                }
            }
        }
        limits
    }

    fn text(&mut self, value: &Value<'_>) -> String {
        match value.get_ref().as_str() {
            Some(text) if !text.trim().is_empty() => text.to_owned(),
            _ => {
                let line = self.line(value);
                self.wrong(line, "this is to be a text in quotes");
                "?".to_owned()
            }
        }
    }

    fn switch(&mut self, value: &Value<'_>) -> bool {
        let line = self.line(value);
        let is_on = value.get_ref().as_bool();
        if is_on.is_none() {
            self.wrong(line, "this is true or false");
        }
        is_on.unwrap_or(false)
    }

    fn count(&mut self, value: &Value<'_>) -> u32 {
        match word(value.get_ref()).and_then(|text| text.parse().ok()) {
            Some(count @ 1..=10_000) => count,
            _ => {
                let line = self.line(value);
                self.wrong(line, "repeats is a number from 1 to 10000");
                1
            }
        }
    }

    fn on_fail(&mut self, value: &Value<'_>) -> OnFail {
        match value.get_ref().as_str() {
            Some("go-on") => OnFail::GoOn,
            Some("stop") => OnFail::Stop,
            Some("retest") => OnFail::Retest,
            _ => {
                let line = self.line(value);
                self.wrong(line, "on-fail is \"go-on\", \"stop\" or \"retest\"");
                OnFail::GoOn
            }
        }
    }
}

fn word(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::String(text) => Some(text.to_string()),
        DeValue::Integer(number) => Some(number.as_str().replace('_', "")),
        DeValue::Float(number) => Some(number.as_str().replace('_', "")),
        _ => None,
    }
}

/// `; did you mean X?`, if there is one that is near enough.
pub(super) fn nearest<'a>(name: &str, all: impl Iterator<Item = &'a str>) -> String {
    let near = all.map(|one| (strsim::damerau_levenshtein(name, one), one)).min();
    match near {
        Some((distance, one)) if distance <= 1 + name.len() / 3 => format!("; did you mean {one}?"),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: &str = r#"title = "Nightly"
interface = "eth1"

[options]
line-rate = "1G"
isolated-bench = true

[[test]]
name = "all sizes"
run = "prove"
frame-size = [64, 1518]
on-fail = "retest"

[[test]]
name = "throughput"
run = "throughput"
line-rate = "100M"
repeats = 2
limits = { throughput-percent = { at-least = 99.5 } }
"#;

    #[test]
    fn a_plan_is_read_with_its_lines() {
        let plan = read(WHOLE).unwrap();
        assert_eq!((plan.title.as_str(), plan.interface.as_str(), plan.tests.len()), ("Nightly", "eth1", 2));
        let first = &plan.tests[0];
        assert_eq!((first.on_fail, first.repeats, first.line), (OnFail::Retest, 1, 8));
        let typed = |name: &str, values: &[&str], line| Typed {
            name: name.to_owned(),
            values: values.iter().map(|value| (*value).to_owned()).collect(),
            off: false,
            line,
        };
        assert!(first.options.contains(&typed("line-rate", &["1G"], 5)));
        assert!(first.options.contains(&typed("isolated-bench", &[], 6)));
        assert!(first.options.contains(&typed("frame-size", &["64", "1518"], 11)));
        // A test's own option takes the place of the plan's.
        let second = &plan.tests[1];
        assert!(second.options.contains(&typed("line-rate", &["100M"], 17)));
        assert_eq!(second.options.iter().filter(|typed| typed.name == "line-rate").count(), 1);
        let bound = Bound::AtLeast(99.5);
        assert_eq!(second.limits, [Limit { measure: "throughput-percent".to_owned(), bound, line: 19 }]);
    }

    #[test]
    fn every_mistake_is_told_with_its_line() {
        let text = WHOLE
            .replace("title", "titel")
            .replace("on-fail = \"retest\"", "on-fail = \"panic\"")
            .replace("repeats = 2", "repeats = 0")
            .replace("at-least", "at-lest")
            .replace("\n\n[options]", "\ncapture = \"x\"\n[options]");
        let wrong = read(&text).unwrap_err();
        let expected = [
            ("line 1: ", "did you mean title?"),
            ("line 3: ", "true or false"),
            ("line 12: ", "on-fail"),
            ("line 18: ", "repeats"),
            ("line 19: ", "at-lest"),
        ];
        assert_eq!(wrong.len(), expected.len(), "{wrong:#?}");
        for (found, (line, about)) in wrong.iter().zip(expected) {
            assert!(found.starts_with(line) && found.contains(about), "{found}");
        }
        assert!(read("interface = ").unwrap_err()[0].starts_with("line 1: this is not TOML"));
        assert!(read("interface = \"eth1\"").unwrap_err()[0].contains("[[test]]"));
        assert!(read("[[test]]\nname = \"x\"\nrun = \"prove\"").unwrap_err()[0].contains("interface"));
        let twice = format!("{WHOLE}\n[[test]]\nname = \"throughput\"\nrun = \"prove\"\n");
        assert!(read(&twice).unwrap_err()[0].contains("line 14"), "{:?}", read(&twice));
    }
}
