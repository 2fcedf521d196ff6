//! Functions of the kernel that programs may call beside the helpers: found by their number among the types that the running
//! kernel tells of itself (Documentation/bpf/btf.rst, bpf/kfuncs.rst).

use std::io;

use btf_rs::{Btf, Type};

/// What the kernel tells of its own types.
const TYPES: &str = "/sys/kernel/btf/vmlinux";

/// When the NIC received the frame, by its own clock (Documentation/networking/xdp-rx-metadata.rst, since 6.3).
pub(crate) const RECEIVE_STAMP: &str = "bpf_xdp_metadata_rx_timestamp";

/// The number of the function with that name.
///
/// # Errors
/// A kernel that does not tell its types, or has no such function.
pub(crate) fn number(name: &str) -> io::Result<u32> {
    let unread = |error: &dyn std::fmt::Display| io::Error::other(format!("{TYPES}: {error}"));
    let types = Btf::from_file(TYPES).map_err(|error| unread(&error))?;
    let named = types.resolve_ids_by_name(name).map_err(|error| unread(&error))?;
    named
        .into_iter()
        .find(|number| matches!(types.resolve_type_by_id(*number), Ok(Type::Func(_))))
        .ok_or_else(|| io::Error::new(io::ErrorKind::Unsupported, format!("this kernel has no {name}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn functions_are_found_and_nothing_else_is() {
        assert!(number("kitproof_has_no_such_function").is_err());
        if std::path::Path::new(TYPES).exists() {
            // Every kernel has both, the second a structure.
            assert!(number("schedule").is_ok_and(|number| number > 0));
            assert!(number("task_struct").is_err());
        }
    }
}
