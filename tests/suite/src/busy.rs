//! How much of the processors others took: neighbours of this virtual machine, and programs that no test started.

/// Time that was taken so far.
pub(crate) struct Taken {
    when: std::time::Instant,
    /// In user space by anybody, and by a neighbour (proc_stat(5): user, nice, steal), seconds over all processors.
    user_s: f64,
    stolen_s: f64,
    /// In user space by this process and what it waited for, seconds.
    own_s: f64,
    processors: f64,
}

impl Taken {
    pub(crate) fn now() -> Self {
        let text = std::fs::read_to_string("/proc/stat").unwrap_or_default();
        let line = text.lines().next().unwrap_or_default();
        let fields: Vec<f64> =
            line.split_ascii_whitespace().skip(1).filter_map(|field| field.parse().ok()).collect();
        let field = |index: usize| fields.get(index).copied().unwrap_or(0.0) / ticks_a_second();
        Self {
            when: std::time::Instant::now(),
            user_s: field(0) + field(1),
            stolen_s: field(7),
            own_s: own_s(),
            processors: text.lines().filter(|line| line.starts_with("cpu")).count().saturating_sub(1).max(1)
                as f64,
        }
    }

    /// The share of all processors since `earlier` that was neither this test's nor idle.
    pub(crate) fn by_others_since(&self, earlier: &Self) -> f64 {
        let elapsed = self.when.duration_since(earlier.when).as_secs_f64() * self.processors;
        let others = (self.user_s - earlier.user_s) - (self.own_s - earlier.own_s);
        ((others.max(0.0) + self.stolen_s - earlier.stolen_s) / elapsed.max(0.001)).clamp(0.0, 1.0)
    }
}

/// User time of this process and of its children that have ended: fields utime and cutime of proc_pid_stat(5).
fn own_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name may hold anything, but ends with the last parenthesis.
    let fields: Vec<&str> =
        text.rsplit_once(')').map_or("", |(_, rest)| rest).split_ascii_whitespace().collect();
    let field =
        |number: usize| fields.get(number - 3).and_then(|field| field.parse::<f64>().ok()).unwrap_or(0.0);
    (field(14) + field(16)) / ticks_a_second()
}

/// What the kernel counts in (time(7): USER_HZ, 100 on every architecture Rust runs Linux on).
fn ticks_a_second() -> f64 {
    100.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A thread of this process that spins is not others.
    #[test]
    fn what_this_process_takes_is_its_own() {
        let before = Taken::now();
        let begun = std::time::Instant::now();
        while begun.elapsed().as_millis() < 400 {
            std::hint::spin_loop();
        }
        let after = Taken::now();
        assert!(after.own_s - before.own_s > 0.1, "{}", after.own_s - before.own_s);
        assert!(after.user_s - before.user_s > 0.1);
        assert!((0.0..=1.0).contains(&after.by_others_since(&before)));
    }

    #[test]
    fn what_others_take_is_theirs() {
        let at = |user_s, stolen_s, own_s| Taken {
            when: std::time::Instant::now(),
            user_s,
            stolen_s,
            own_s,
            processors: 2.0,
        };
        let mut later = at(3.0, 1.0, 1.5);
        let earlier = at(1.0, 0.0, 0.5);
        later.when = earlier.when + std::time::Duration::from_secs(5);
        // Two seconds of user time, one of it ours; one second stolen; ten seconds of processors.
        assert!((later.by_others_since(&earlier) - 0.2).abs() < 1e-9);
    }
}
