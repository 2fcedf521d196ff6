//! What comes with the programs: manual pages and completions for every command, and the package.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, ensure};
use kitproof_suite::{Folder, program, run};

fn main() {
    run(&[
        ("every_command_has_a_page_and_completions", papers),
        ("the_package_holds_both_programs_and_no_more_privilege_than_they_need", package),
    ]);
}

fn output(command: &mut Command) -> Result<String> {
    let done = command.stdin(Stdio::null()).output()?;
    ensure!(done.status.success(), "{command:?}: {}", String::from_utf8_lossy(&done.stderr));
    Ok(String::from_utf8(done.stdout)?)
}

/// The commands that `kitproof --help` names.
fn commands() -> Result<Vec<String>> {
    let help = output(Command::new(program("kitproof")?).arg("--help"))?;
    let lines = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let named = lines.take_while(|line| !line.is_empty()).filter(|line| !line.starts_with("   "));
    let names: Vec<String> =
        named.filter_map(|line| line.split_whitespace().next()).map(str::to_owned).collect();
    ensure!(names.len() > 10 && names.contains(&"witness".to_owned()), "{help}");
    Ok(names)
}

fn papers() -> Result<()> {
    let folder = Folder::new("papers")?;
    output(Command::new(program("kitproof")?).arg("papers").arg(folder.path()))?;
    output(Command::new(program("kitproof-reflector")?).arg("--papers").arg(folder.path()))?;
    let read = |name: &str| -> Result<String> {
        std::fs::read_to_string(folder.path().join(name)).with_context(|| name.to_owned())
    };
    for command in commands()?.iter().filter(|command| *command != "help") {
        let page = read(&format!("kitproof-{command}.1"))?;
        ensure!(page.contains(".SH NAME") && page.contains(".SH SYNOPSIS"), "{command}: {page}");
        for shell in ["kitproof.bash", "_kitproof", "kitproof.fish"] {
            ensure!(read(shell)?.contains(command.as_str()), "{shell} does not know {command}");
        }
    }
    for name in ["kitproof.1", "kitproof-reflector.1", "kitproof-kit-next.1", "_kitproof-reflector"] {
        ensure!(!read(name)?.is_empty(), "{name}");
    }
    for entry in std::fs::read_dir(folder.path())? {
        let name = entry?.file_name();
        ensure!(!name.to_string_lossy().contains("-help"), "a page that only shows others: {name:?}");
    }
    // What bash is given is a script that bash understands.
    let script = folder.path().join("kitproof.bash");
    output(Command::new("bash").arg("-n").arg(script))?;
    Ok(())
}

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn package() -> Result<()> {
    if Command::new("dpkg-deb").arg("--version").stdout(Stdio::null()).status().is_err() {
        eprintln!("no dpkg-deb here: the package is made on Debian and its relatives");
        return Ok(());
    }
    let folder = Folder::new("package")?;
    // The programs of this very build, whatever its folder is called.
    let target = program("kitproof")?;
    let target = target.parent().and_then(Path::parent).context("a target folder")?;
    let made = output(
        Command::new(repository().join("scripts/package")).arg(folder.path()).env("CARGO_TARGET_DIR", target),
    )?;
    let package = made.trim();
    let contents = output(Command::new("dpkg-deb").args(["--contents", package]))?;
    for held in [
        "./usr/bin/kitproof\n",
        "./usr/bin/kitproof-reflector\n",
        "./usr/share/man/man1/kitproof-prove.1.gz",
        "./usr/share/bash-completion/completions/kitproof\n",
        "./usr/lib/systemd/system/kitproof-reflector@.service",
        "./usr/share/doc/kitproof/copyright",
    ] {
        ensure!(contents.contains(held), "{held} is not in it:\n{contents}");
    }
    ensure!(!contents.contains("papers") && !contents.contains("rws"), "{contents}");
    ensure!(contents.lines().all(|line| line.contains("root/root")), "{contents}");
    let control = folder.path().join("control");
    output(Command::new("dpkg-deb").args(["--control", package]).arg(&control))?;
    let after = std::fs::read_to_string(control.join("postinst"))?;
    let granted: Vec<&str> = after.split_whitespace().filter(|word| word.contains("cap_")).collect();
    ensure!(granted == ["cap_net_raw,cap_sys_nice+ep"], "{after}");
    Ok(())
}
