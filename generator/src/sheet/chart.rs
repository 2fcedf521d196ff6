//! Drawings in SVG. Colours come from the page's style sheet, by class; nothing is said by colour alone.

use std::fmt::Write;

/// One curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    pub name: String,
    /// Least, median, 90th, 99th and 99.9th percentile, most; nanoseconds.
    pub nanoseconds: [u64; 6],
}

/// One bar: what a line carries at a frame size, what was offered, what came home; frames per second.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    pub name: String,
    pub theoretical: f64,
    pub offered: f64,
    pub home: f64,
}

/// A stretch in which frames were lost.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// The lane it is drawn in.
    pub lane: usize,
    /// Seconds.
    pub from: f64,
    pub until: f64,
    /// What a reader who points at it is told.
    pub title: String,
}

const PERCENTILES: [&str; 6] = ["least", "50 %", "90 %", "99 %", "99.9 %", "most"];
/// Kinds of line and mark there are in the style sheet.
const KINDS: usize = 7;

/// Text that may stand in an SVG document.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// A time as a person reads it.
#[must_use]
pub fn time(nanoseconds: f64) -> String {
    let (value, unit) = match nanoseconds {
        small if small < 1e3 => (small, "ns"),
        medium if medium < 1e6 => (medium / 1e3, "µs"),
        large if large < 1e9 => (large / 1e6, "ms"),
        huge => (huge / 1e9, "s"),
    };
    let digits = usize::from(value < 10.0 && unit != "ns");
    format!("{value:.digits$} {unit}")
}

/// The round trip by percentile, a curve for each frame size, time on a logarithmic scale. Empty without curves.
#[must_use]
pub fn latency(curves: &[Curve]) -> String {
    const WIDTH: f64 = 640.0;
    const HEIGHT: f64 = 260.0;
    const LEFT: f64 = 62.0;
    const RIGHT: f64 = 110.0;
    const TOP: f64 = 14.0;
    const BOTTOM: f64 = 34.0;
    let all = || curves.iter().flat_map(|curve| curve.nanoseconds).filter(|value| *value > 0);
    let (Some(least), Some(most)) = (all().min(), all().max()) else { return String::new() };
    let low = (least as f64).log10().floor();
    let high = (most as f64).log10().ceil().max(low + 1.0);
    let x = |place: usize| LEFT + (WIDTH - LEFT - RIGHT) * place as f64 / (PERCENTILES.len() - 1) as f64;
    let y = |value: f64| TOP + (HEIGHT - TOP - BOTTOM) * (high - value.log10()) / (high - low);
    let mut svg = open(WIDTH, HEIGHT, "Round trip by percentile");
    for decade in low as i32..=high as i32 {
        let value = 10_f64.powi(decade);
        let _ = write!(
            svg,
            r#"<line class="grid" x1="{LEFT}" x2="{:.1}" y1="{y:.1}" y2="{y:.1}"/><text class="tick" x="{:.1}" y="{:.1}" text-anchor="end">{}</text>"#,
            WIDTH - RIGHT,
            LEFT - 8.0,
            y(value) + 4.0,
            time(value),
            y = y(value),
        );
    }
    for (place, name) in PERCENTILES.iter().enumerate() {
        let _ = write!(
            svg,
            r#"<text class="tick" x="{:.1}" y="{:.1}" text-anchor="middle">{name}</text>"#,
            x(place),
            HEIGHT - 12.0
        );
    }
    // The names stand at the ends of their curves, moved apart where they would overlap.
    let mut names: Vec<(usize, f64)> = curves
        .iter()
        .enumerate()
        .map(|(place, curve)| (place, y(curve.nanoseconds[5].max(1) as f64)))
        .collect();
    names.sort_by(|one, other| one.1.total_cmp(&other.1));
    let room = HEIGHT - BOTTOM + 4.0;
    let mut last = TOP - 10.0;
    for (_, at) in &mut names {
        *at = at.max(last + 14.0);
        last = *at;
    }
    let over = (last - room).max(0.0);
    for (place, curve) in curves.iter().enumerate() {
        let kind = place % KINDS;
        let points: Vec<String> = curve
            .nanoseconds
            .iter()
            .enumerate()
            .map(|(place, value)| format!("{:.1},{:.1}", x(place), y((*value).max(1) as f64)))
            .collect();
        let _ = write!(svg, r#"<polyline class="curve k{kind}" points="{}"/>"#, points.join(" "));
        for (place, value) in curve.nanoseconds.iter().enumerate() {
            let _ = write!(
                svg,
                r#"<circle class="dot k{kind}" cx="{:.1}" cy="{:.1}" r="3"><title>{}, {}: {}</title></circle>"#,
                x(place),
                y((*value).max(1) as f64),
                escaped(&curve.name),
                PERCENTILES[place],
                time(*value as f64)
            );
        }
        let at = names.iter().find(|(named, _)| *named == place).map_or(TOP, |(_, at)| at - over);
        let _ = write!(
            svg,
            r#"<text class="name k{kind}" x="{:.1}" y="{:.1}">{}</text>"#,
            x(5) + 10.0,
            at + 4.0,
            escaped(&curve.name)
        );
    }
    svg.push_str("</svg>");
    svg
}

/// What came home of what the line can carry, a bar for each frame size, every bar as wide as its own line rate.
#[must_use]
pub fn rates(bars: &[Bar]) -> String {
    const WIDTH: f64 = 640.0;
    const ROW: f64 = 34.0;
    const LEFT: f64 = 92.0;
    const RIGHT: f64 = 214.0;
    if bars.is_empty() {
        return String::new();
    }
    let height = ROW * bars.len() as f64 + 8.0;
    let mut svg = open(WIDTH, height, "Frames per second against what the line carries");
    let room = WIDTH - LEFT - RIGHT;
    for (place, bar) in bars.iter().enumerate() {
        let top = ROW * place as f64 + 6.0;
        let width = |rate: f64| (rate / bar.theoretical.max(1e-9)).clamp(0.0, 1.0) * room;
        let _ = write!(
            svg,
            r#"<text class="tick" x="{:.1}" y="{:.1}" text-anchor="end">{}</text><rect class="line" x="{LEFT}" y="{top:.1}" width="{room:.1}" height="20"/><rect class="offered" x="{LEFT}" y="{top:.1}" width="{:.1}" height="20"/><rect class="home" x="{LEFT}" y="{:.1}" width="{:.1}" height="12"/>"#,
            LEFT - 8.0,
            top + 14.0,
            escaped(&bar.name),
            width(bar.offered),
            top + 4.0,
            width(bar.home),
        );
        let percent = 100.0 * bar.home / bar.theoretical.max(1e-9);
        let _ = write!(
            svg,
            r#"<text class="tick" x="{:.1}" y="{:.1}">{} of {}/s ({percent:.2} %)</text>"#,
            WIDTH - RIGHT + 8.0,
            top + 14.0,
            crate::report::grouped(bar.home.round().max(0.0) as u64),
            crate::report::grouped(bar.theoretical.floor().max(0.0) as u64),
        );
    }
    svg.push_str("</svg>");
    svg
}

/// When frames were lost: a lane for each name, time from the left. Every stretch is wide enough to be seen.
#[must_use]
pub fn losses(lanes: &[String], stretches: &[Stretch], seconds: f64) -> String {
    const WIDTH: f64 = 640.0;
    const ROW: f64 = 26.0;
    const LEFT: f64 = 150.0;
    const RIGHT: f64 = 14.0;
    const BOTTOM: f64 = 24.0;
    if lanes.is_empty() || stretches.is_empty() || seconds <= 0.0 {
        return String::new();
    }
    let height = ROW * lanes.len() as f64 + BOTTOM;
    let mut svg = open(WIDTH, height, "When frames were lost");
    let x = |at: f64| LEFT + (WIDTH - LEFT - RIGHT) * (at / seconds).clamp(0.0, 1.0);
    for (place, name) in lanes.iter().enumerate() {
        let top = ROW * place as f64;
        let _ = write!(
            svg,
            r#"<text class="tick" x="{:.1}" y="{:.1}" text-anchor="end">{}</text><line class="grid" x1="{LEFT}" x2="{:.1}" y1="{:.1}" y2="{:.1}"/>"#,
            LEFT - 8.0,
            top + 17.0,
            escaped(name),
            WIDTH - RIGHT,
            top + 20.0,
            top + 20.0,
        );
    }
    for stretch in stretches {
        let (from, until) = (x(stretch.from), x(stretch.until));
        let _ = write!(
            svg,
            r#"<rect class="lost" x="{from:.1}" y="{:.1}" width="{:.1}" height="14"><title>{}</title></rect>"#,
            ROW * stretch.lane as f64 + 6.0,
            (until - from).max(1.5).min(WIDTH - from),
            escaped(&stretch.title)
        );
    }
    for part in 0..=4 {
        let at = seconds * f64::from(part) / 4.0;
        let anchor = if part == 4 { "end" } else { "middle" };
        let _ = write!(
            svg,
            r#"<text class="tick" x="{:.1}" y="{:.1}" text-anchor="{anchor}">{at:.1} s</text>"#,
            x(at),
            height - 6.0
        );
    }
    svg.push_str("</svg>");
    svg
}

fn open(width: f64, height: f64, label: &str) -> String {
    format!(
        r#"<svg class="chart" viewBox="0 0 {width} {height}" role="img" aria-label="{}" xmlns="http://www.w3.org/2000/svg">"#,
        escaped(label)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_at_a_glance() {
        let read = [0.0, 999.0, 1_500.0, 12_300.0, 2.5e6, 3e9].map(time);
        assert_eq!(read, ["0 ns", "999 ns", "1.5 µs", "12 µs", "2.5 ms", "3.0 s"]);
    }

    #[test]
    fn nothing_is_drawn_of_nothing() {
        assert_eq!(latency(&[]) + &rates(&[]) + &losses(&[], &[], 1.0), "");
        let zeros = Curve { name: "64".to_owned(), nanoseconds: [0; 6] };
        assert_eq!(latency(&[zeros]), "");
    }

    /// No name stands on another, whatever the curves do, and all of them are on the drawing.
    #[test]
    fn names_of_curves_do_not_overlap() {
        let curves: Vec<Curve> = (0..7_u64)
            .map(|size| Curve {
                name: format!("{size} bytes"),
                nanoseconds: [1_000, 2_000, 3_000, 4_000, 5_000, 6_000 + size],
            })
            .collect();
        let svg = latency(&curves);
        let mut at: Vec<f64> = svg
            .split(r#"<text class="name"#)
            .skip(1)
            .map(|text| text.split(r#"y=""#).nth(1).unwrap().split('"').next().unwrap().parse().unwrap())
            .collect();
        at.sort_by(f64::total_cmp);
        assert_eq!(at.len(), 7);
        assert!(at.windows(2).all(|pair| pair[1] - pair[0] >= 13.9), "{at:?}");
        assert!(at[0] >= 0.0 && at[6] <= 260.0, "{at:?}");
    }

    #[test]
    fn what_people_wrote_is_escaped() {
        let bar = Bar { name: "<b>&\"".to_owned(), theoretical: 1.0, offered: 1.0, home: 1.0 };
        assert!(rates(&[bar]).contains("&lt;b&gt;&amp;&quot;"));
    }

    #[test]
    fn a_bar_is_as_long_as_its_share() {
        let bar =
            Bar { name: "64".to_owned(), theoretical: 1_488_095.2, offered: 744_047.6, home: 372_023.8 };
        let svg = rates(&[bar]);
        // 334 is the whole line.
        assert!(svg.contains(r#"class="offered" x="92" y="6.0" width="167.0""#), "{svg}");
        assert!(svg.contains(r#"width="83.5""#) && svg.contains("1,488,095"), "{svg}");
    }
}
