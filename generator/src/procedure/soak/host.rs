//! What happens to the machine while a soak runs: sleep, a stepped clock, heat, an empty battery. All of it is the pair's.

use std::fs;
use std::path::{Path, PathBuf};

use kitproof_common::port::clock::{boottime_ns, monotonic_ns, realtime_ns};

use crate::journal::EventKind;

/// A machine that slept shorter than this was not seen to.
const SLEPT_NS: i64 = 500_000_000;
/// The wall clock may be slewed by 500 ppm; what is more within an interval was a step.
const STEPPED_NS: i64 = 100_000_000;

/// What is looked at; each `None` where the machine does not say.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Looked {
    /// Time spent asleep since the start of the machine, ns.
    pub(super) slept_ns: i64,
    /// The wall clock less the one that is never stepped, ns.
    pub(super) wall_ns: i64,
    /// The warmest sensor, degrees Celsius.
    pub(super) temperature_c: Option<f64>,
    /// How often a processor was throttled for heat.
    pub(super) throttled: Option<u64>,
    pub(super) on_battery: Option<bool>,
}

/// Where the kernel tells of sensors.
#[derive(Clone, Debug)]
pub(super) struct Sensors {
    root: PathBuf,
}

impl Default for Sensors {
    fn default() -> Self {
        Self { root: PathBuf::from("/sys") }
    }
}

impl Sensors {
    #[must_use]
    pub(super) fn look(&self) -> Looked {
        let monotonic = monotonic_ns();
        Looked {
            slept_ns: boottime_ns().wrapping_sub(monotonic) as i64,
            wall_ns: realtime_ns().wrapping_sub(monotonic) as i64,
            temperature_c: self.temperature(),
            throttled: self.throttled(),
            on_battery: self.on_battery(),
        }
    }

    fn temperature(&self) -> Option<f64> {
        let zones = files(&self.root.join("class/thermal"), "thermal_zone", |zone| vec![zone.join("temp")]);
        let chips = files(&self.root.join("class/hwmon"), "hwmon", |chip| {
            files(chip, "temp", |sensor| vec![sensor.to_owned()])
                .into_iter()
                .filter(|path| path.to_string_lossy().ends_with("_input"))
                .collect()
        });
        let millidegrees = zones.iter().chain(&chips).filter_map(|path| number(path));
        // A sensor that is not there may say anything; nothing that works is outside of this.
        millidegrees
            .map(|value| value as f64 / 1e3)
            .filter(|celsius| (-40.0..150.0).contains(celsius))
            .reduce(f64::max)
    }

    fn throttled(&self) -> Option<u64> {
        let counts = files(&self.root.join("devices/system/cpu"), "cpu", |cpu| {
            vec![
                cpu.join("thermal_throttle/core_throttle_count"),
                cpu.join("thermal_throttle/package_throttle_count"),
            ]
        });
        counts.iter().filter_map(|path| number(path)).map(|count| count as u64).reduce(u64::saturating_add)
    }

    /// True if a battery is being emptied; `None` without a battery.
    fn on_battery(&self) -> Option<bool> {
        let supplies = files(&self.root.join("class/power_supply"), "", |supply| vec![supply.to_owned()]);
        let is = |supply: &Path, name: &str, value: &str| {
            fs::read_to_string(supply.join(name)).is_ok_and(|text| text.trim() == value)
        };
        let mut batteries = supplies.iter().filter(|supply| is(supply, "type", "Battery")).peekable();
        batteries.peek()?;
        Some(batteries.any(|battery| is(battery, "status", "Discharging")))
    }
}

fn number(path: &Path) -> Option<i64> {
    fs::read_to_string(path).ok()?.trim().parse().ok()
}

/// What `of` makes of every entry of `folder` whose name begins with `prefix`.
fn files(folder: &Path, prefix: &str, of: impl Fn(&Path) -> Vec<PathBuf>) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let named = entries.filter(|entry| entry.file_name().to_string_lossy().starts_with(prefix));
    named.flat_map(|entry| of(&entry.path())).collect()
}

/// What happened between two looks.
#[must_use]
pub(super) fn happened(before: &Looked, now: &Looked) -> Vec<(EventKind, String)> {
    let mut events = Vec::new();
    let slept = now.slept_ns - before.slept_ns;
    if slept > SLEPT_NS {
        events.push((EventKind::Suspended, format!("this machine slept for {:.1} s", slept as f64 / 1e9)));
    }
    // The wall clock goes on while the machine sleeps.
    let stepped = now.wall_ns - before.wall_ns - slept.max(0);
    if stepped.abs() > STEPPED_NS {
        let text = format!("the wall clock of this machine was stepped by {:+.3} s", stepped as f64 / 1e9);
        events.push((EventKind::ClockStepped, text));
    }
    if let (Some(was), Some(is)) = (before.throttled, now.throttled)
        && is > was
    {
        let warm = now.temperature_c.map_or(String::new(), |celsius| format!(" at {celsius:.0} degrees C"));
        events.push((
            EventKind::Throttled,
            format!("a processor of this machine was slowed down for heat {} times{warm}", is - was),
        ));
    }
    match (before.on_battery, now.on_battery) {
        (Some(false), Some(true)) => {
            events.push((EventKind::OnBattery, "this machine runs from its battery now".to_owned()));
        }
        (Some(true), Some(false)) => {
            events.push((EventKind::OnMains, "this machine has mains power again".to_owned()));
        }
        _ => {}
    }
    events
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(before: &Looked, now: &Looked) -> Vec<EventKind> {
        happened(before, now).into_iter().map(|(kind, _)| kind).collect()
    }

    #[test]
    fn sleep_a_stepped_clock_heat_and_battery_are_told_apart() {
        let before = Looked { throttled: Some(3), on_battery: Some(false), ..Looked::default() };
        assert!(kinds(&before, &before).is_empty());
        // Asleep the wall clock goes on: no step.
        let slept = Looked { slept_ns: 9_000_000_000, wall_ns: 9_000_000_000, ..before };
        assert_eq!(kinds(&before, &slept), [EventKind::Suspended]);
        for by in [-2_000_000_000, 2_000_000_000] {
            assert_eq!(kinds(&before, &Looked { wall_ns: by, ..before }), [EventKind::ClockStepped]);
        }
        // Slewed by 500 ppm for ten seconds.
        assert!(kinds(&before, &Looked { wall_ns: 5_000_000, ..before }).is_empty());
        assert_eq!(kinds(&before, &Looked { throttled: Some(5), ..before }), [EventKind::Throttled]);
        let battery = Looked { on_battery: Some(true), ..before };
        assert_eq!(kinds(&before, &battery), [EventKind::OnBattery]);
        assert_eq!(kinds(&battery, &before), [EventKind::OnMains]);
        // A counter that is not there any more is no news.
        assert!(kinds(&before, &Looked { throttled: None, ..before }).is_empty());
    }

    /// The kernel's own layout (Documentation/ABI: sysfs-class-thermal, sysfs-class-hwmon, sysfs-class-power).
    #[test]
    fn sensors_are_read_where_the_kernel_puts_them() {
        let root = std::env::temp_dir().join(format!("kitproof-sensors-{}", std::process::id()));
        let put = |name: &str, text: &str| {
            let path = root.join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        };
        let sensors = Sensors { root: root.clone() };
        let nothing = sensors.look();
        assert_eq!((nothing.temperature_c, nothing.throttled, nothing.on_battery), (None, None, None));
        put("class/thermal/thermal_zone0/temp", "41000\n");
        put("class/thermal/thermal_zone1/temp", "-273200\n");
        put("class/hwmon/hwmon3/temp2_input", "63500\n");
        put("class/hwmon/hwmon3/temp2_crit", "100000\n");
        put("devices/system/cpu/cpu0/thermal_throttle/core_throttle_count", "2\n");
        put("devices/system/cpu/cpu1/thermal_throttle/core_throttle_count", "5\n");
        put("class/power_supply/AC/type", "Mains\n");
        put("class/power_supply/BAT0/type", "Battery\n");
        put("class/power_supply/BAT0/status", "Discharging\n");
        let looked = sensors.look();
        assert_eq!(
            (looked.temperature_c, looked.throttled, looked.on_battery),
            (Some(63.5), Some(7), Some(true))
        );
        fs::remove_dir_all(root).unwrap();
    }
}
