//! Where settings are read and set: this host, or an invented one.

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::setting::{Port, Setting, Value};
use crate::port::sys_ethtool;

/// Where the kernel shows its processors.
const CPUS: &str = "/sys/devices/system/cpu";
/// `CPUFREQ_NAME_LEN` of `linux/cpufreq.h`, the closing zero included.
const MOST_NAME_OCTETS: usize = 16;

/// Something that has settings.
pub trait Machine {
    /// The value now.
    ///
    /// # Errors
    /// [`is_gone`] where there is no such processor or port any more; otherwise what the kernel says, `EOPNOTSUPP`
    /// where the driver knows no such setting.
    fn read(&self, setting: &Setting) -> io::Result<Value>;

    /// Sets a value. What the kernel makes of it (a driver may round) is read afterwards.
    ///
    /// # Errors
    /// As [`Self::read`], and `EPERM` or `EACCES` without privilege.
    fn write(&self, setting: &Setting, value: &Value) -> io::Result<()>;
}

/// Whether an error says that there is nothing left to set.
#[must_use]
pub fn is_gone(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::NotFound
        || matches!(error.raw_os_error(), Some(libc::ENODEV | libc::ENXIO))
}

/// How one processor chooses its frequency, and how it could.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Governor {
    /// The kernel's number of the processor (the first one, where several have one policy).
    pub cpu: u32,
    /// The governor in use.
    pub now: String,
    /// The governors that there are.
    pub available: Vec<String>,
}

/// The machine this process runs on, and the ports of the calling thread's network namespace.
#[derive(Clone, Debug)]
pub struct ThisHost {
    cpus: PathBuf,
}

impl Default for ThisHost {
    fn default() -> Self {
        Self { cpus: CPUS.into() }
    }
}

impl ThisHost {
    /// With the files of the processors (`cpu0/cpufreq/…`, `isolated`) in this folder instead of
    /// `/sys/devices/system/cpu`, so that everything can be tried on an invented machine.
    #[must_use]
    pub fn with_cpus_in(folder: &Path) -> Self {
        Self { cpus: folder.to_owned() }
    }

    /// The frequency policies, lowest processor first; none where the kernel tells of none (most virtual machines).
    #[must_use]
    pub fn governors(&self) -> Vec<Governor> {
        let entries = fs::read_dir(&self.cpus).into_iter().flatten().flatten();
        let numbers: BTreeSet<u32> = entries
            .filter_map(|entry| entry.file_name().to_str()?.strip_prefix("cpu")?.parse().ok())
            .collect();
        // Processors that share a policy share the folder, by symbolic links.
        let mut seen = BTreeSet::new();
        numbers
            .into_iter()
            .filter_map(|cpu| {
                let folder = fs::canonicalize(self.policy(cpu)).ok()?;
                let now = word(&fs::read_to_string(folder.join("scaling_governor")).ok()?)?;
                let available = fs::read_to_string(folder.join("scaling_available_governors")).ok()?;
                let available = available.split_ascii_whitespace().map(str::to_owned).collect();
                seen.insert(folder).then_some(Governor { cpu, now, available })
            })
            .collect()
    }

    /// The processors that the scheduler keeps free of other work, as the kernel lists them (`2-3`, empty for none);
    /// `None` where it does not tell.
    #[must_use]
    pub fn isolated(&self) -> Option<String> {
        Some(fs::read_to_string(self.cpus.join("isolated")).ok()?.trim().to_owned())
    }

    /// How a port coalesces its receive interrupts; `None` where the driver does not tell.
    #[must_use]
    pub fn coalescing(&self, port: &Port) -> Option<Value> {
        self.read(&Setting::Coalescing(port.clone())).ok()
    }

    /// Which frames a NIC stamps by its own clock; `None` where its driver does not tell.
    #[must_use]
    pub fn stamping(&self, port: &Port) -> Option<Value> {
        self.read(&Setting::Stamping(port.clone())).ok()
    }

    fn policy(&self, cpu: u32) -> PathBuf {
        self.cpus.join(format!("cpu{cpu}/cpufreq"))
    }

    fn governor(&self, cpu: u32) -> PathBuf {
        self.policy(cpu).join("scaling_governor")
    }
}

impl Machine for ThisHost {
    fn read(&self, setting: &Setting) -> io::Result<Value> {
        match setting {
            Setting::Governor { cpu } => {
                let text = fs::read_to_string(self.governor(*cpu))?;
                word(&text).map(Value::Governor).ok_or_else(|| io::Error::other("no name of a governor"))
            }
            Setting::Rings(port) => {
                let (receive, send) = sys_ethtool::rings(&sys_ethtool::name_at(port.index)?)?;
                Ok(Value::Rings { receive, send })
            }
            Setting::Coalescing(port) => {
                let (adaptive, usecs) = sys_ethtool::coalescing(&sys_ethtool::name_at(port.index)?)?;
                Ok(Value::Coalescing { adaptive, usecs })
            }
            Setting::Stamping(port) => {
                let (send, receive) = sys_ethtool::stamping(&sys_ethtool::name_at(port.index)?)?;
                Ok(Value::Stamping { send, receive })
            }
        }
    }

    fn write(&self, setting: &Setting, value: &Value) -> io::Result<()> {
        match (setting, value) {
            (Setting::Governor { cpu }, Value::Governor(name)) if word(name).as_ref() == Some(name) => {
                let mut file = fs::OpenOptions::new().write(true).truncate(true).open(self.governor(*cpu))?;
                file.write_all(name.as_bytes())
            }
            (Setting::Rings(port), Value::Rings { receive, send }) => {
                sys_ethtool::set_rings(&sys_ethtool::name_at(port.index)?, *receive, *send)
            }
            (Setting::Coalescing(port), Value::Coalescing { adaptive, usecs }) => {
                sys_ethtool::set_coalescing(&sys_ethtool::name_at(port.index)?, *adaptive, *usecs)
            }
            (Setting::Stamping(port), Value::Stamping { send, receive }) => {
                sys_ethtool::set_stamping(&sys_ethtool::name_at(port.index)?, *send, *receive)
            }
            // Only a note that somebody else wrote has this.
            _ => Err(io::Error::new(io::ErrorKind::InvalidInput, format!("{setting} cannot be {value}"))),
        }
    }
}

/// A text that can be the name of a governor, without the white space around it.
fn word(text: &str) -> Option<String> {
    let text = text.trim();
    let fits = !text.is_empty() && text.len() < MOST_NAME_OCTETS;
    let plain = text.bytes().all(|octet| octet.is_ascii_alphanumeric() || matches!(octet, b'_' | b'-'));
    (fits && plain).then(|| text.to_owned())
}

#[cfg(test)]
pub(super) mod invented {
    //! Machines that are not there.

    use std::cell::RefCell;
    use std::collections::BTreeMap;

    use super::*;

    /// Processors in a folder of this test process, gone when dropped.
    #[derive(Debug)]
    pub(in crate::tune) struct Folder(PathBuf);

    impl Folder {
        pub(in crate::tune) fn new(name: &str) -> Self {
            let path = std::env::temp_dir().join(format!("kitproof-tune-{name}-{}", std::process::id()));
            fs::create_dir_all(&path).unwrap();
            Self(path)
        }

        pub(in crate::tune) fn path(&self) -> &Path {
            &self.0
        }

        /// A processor with a policy of its own.
        pub(in crate::tune) fn cpu(&self, cpu: u32, governor: &str, available: &str) {
            let folder = self.0.join(format!("cpu{cpu}/cpufreq"));
            fs::create_dir_all(&folder).unwrap();
            fs::write(folder.join("scaling_governor"), format!("{governor}\n")).unwrap();
            fs::write(folder.join("scaling_available_governors"), format!("{available} \n")).unwrap();
        }

        pub(in crate::tune) fn governor(&self, cpu: u32) -> String {
            let text = fs::read_to_string(self.0.join(format!("cpu{cpu}/cpufreq/scaling_governor"))).unwrap();
            text.trim().to_owned()
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    /// A machine in memory that rounds ring sizes up, refuses and loses what it is told to.
    #[derive(Debug, Default)]
    pub(in crate::tune) struct Memory {
        pub(in crate::tune) values: RefCell<BTreeMap<Setting, Value>>,
        /// Ring sizes become multiples of this.
        pub(in crate::tune) step: u32,
        /// Settings that cannot be written.
        pub(in crate::tune) refused: BTreeSet<Setting>,
        /// Everything that was written, in order.
        pub(in crate::tune) written: RefCell<Vec<Setting>>,
    }

    impl Memory {
        pub(in crate::tune) fn with(values: impl IntoIterator<Item = (Setting, Value)>) -> Self {
            Self { values: RefCell::new(values.into_iter().collect()), step: 1, ..Self::default() }
        }
    }

    impl Machine for Memory {
        fn read(&self, setting: &Setting) -> io::Result<Value> {
            let gone = || io::Error::from_raw_os_error(libc::ENODEV);
            self.values.borrow().get(setting).cloned().ok_or_else(gone)
        }

        fn write(&self, setting: &Setting, value: &Value) -> io::Result<()> {
            if self.refused.contains(setting) {
                return Err(io::Error::from_raw_os_error(libc::EPERM));
            }
            self.read(setting)?;
            let round = |frames: u32| frames.div_ceil(self.step) * self.step;
            let value = match value {
                Value::Rings { receive, send } => {
                    Value::Rings { receive: round(*receive), send: round(*send) }
                }
                other => other.clone(),
            };
            self.values.borrow_mut().insert(setting.clone(), value);
            self.written.borrow_mut().push(setting.clone());
            Ok(())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::invented::Folder;
    use super::*;

    fn governor(name: &str) -> Value {
        Value::Governor(name.into())
    }

    #[test]
    fn policies_are_read_once_each_in_the_order_of_their_processors() {
        let folder = Folder::new("policies");
        folder.cpu(10, "schedutil", "performance schedutil");
        folder.cpu(2, "powersave", "performance powersave");
        // Shares the policy of processor 2.
        fs::create_dir_all(folder.path().join("cpu3")).unwrap();
        std::os::unix::fs::symlink("../cpu2/cpufreq", folder.path().join("cpu3/cpufreq")).unwrap();
        // What is beside them in the real folder, and a processor without a policy.
        for name in ["cpufreq", "cpuidle", "power", "cpu4"] {
            fs::create_dir_all(folder.path().join(name)).unwrap();
        }
        let found = ThisHost::with_cpus_in(folder.path()).governors();
        let expected = |cpu, now: &str, available: [&str; 2]| Governor {
            cpu,
            now: now.into(),
            available: available.map(str::to_owned).to_vec(),
        };
        assert_eq!(
            found,
            [
                expected(2, "powersave", ["performance", "powersave"]),
                expected(10, "schedutil", ["performance", "schedutil"]),
            ]
        );
    }

    #[test]
    fn what_is_not_told_is_not_known() {
        let folder = Folder::new("nothing");
        let host = ThisHost::with_cpus_in(folder.path());
        assert_eq!((host.governors(), host.isolated()), (vec![], None));
        fs::write(folder.path().join("isolated"), "2-3\n").unwrap();
        assert_eq!(host.isolated().as_deref(), Some("2-3"));
        let absent = host.read(&Setting::Governor { cpu: 0 }).unwrap_err();
        assert!(is_gone(&absent), "{absent}");
        // No interface has this index.
        let port = Port { name: "eth7".into(), index: 0x7fff_fff0 };
        for setting in
            [Setting::Rings(port.clone()), Setting::Coalescing(port.clone()), Setting::Stamping(port)]
        {
            let absent = host.read(&setting).unwrap_err();
            assert!(is_gone(&absent), "{setting}: {absent}");
        }
    }

    #[test]
    fn a_governor_is_set_whole_and_nothing_else_is_written() {
        let folder = Folder::new("set");
        folder.cpu(0, "powersave", "performance powersave");
        let host = ThisHost::with_cpus_in(folder.path());
        let setting = Setting::Governor { cpu: 0 };
        for name in ["performance", "powersave"] {
            host.write(&setting, &governor(name)).unwrap();
            assert_eq!(host.read(&setting).unwrap(), governor(name));
        }
        for wrong in ["", "a b", "power\nsave", "../x", "sixteen-octets-x"] {
            let refused = host.write(&setting, &governor(wrong)).unwrap_err();
            assert_eq!(refused.kind(), io::ErrorKind::InvalidInput, "{wrong:?}");
        }
        assert!(host.write(&setting, &Value::Rings { receive: 1, send: 1 }).is_err());
        assert_eq!(folder.governor(0), "powersave");
        // A processor that has gone gets no file.
        assert!(is_gone(&host.write(&Setting::Governor { cpu: 9 }, &governor("powersave")).unwrap_err()));
        assert!(!folder.path().join("cpu9").exists());
    }
}
