//! One file a command.

pub(crate) mod book;
pub(crate) mod check;
pub(crate) mod compare;
pub(crate) mod completions;
pub(crate) mod decode;
pub(crate) mod diagnose;
pub(crate) mod find;
pub(crate) mod mark;
pub(crate) mod measure;
pub(crate) mod plan;
pub(crate) mod record;
pub(crate) mod simulate;
pub(crate) mod stack;
pub(crate) mod status;
pub(crate) mod trend;
pub(crate) mod watch;

/// What a live-bus command says on a system that has no CAN of its own.
#[cfg(any(not(target_os = "linux"), test))]
fn needs_linux(command: &str) -> crate::failure::Failure {
    crate::failure::Failure::Usage(format!(
        "{command} is not in this program: it needs the CAN that only the Linux kernel has; \
         record on a Linux laptop, all else works here"
    ))
}

/// The recorder answered something else.
#[cfg(target_os = "linux")]
fn wrong_answer() -> crate::failure::Failure {
    crate::failure::Failure::Usage(
        "the recorder gave another answer; are both programs of the same version?".to_owned(),
    )
}

#[cfg(test)]
mod tests {
    /// On Linux nobody hears it, so its wording is looked at here.
    #[test]
    fn elsewhere_the_reason_is_told_in_one_line() {
        let told = super::needs_linux("record").to_string();
        assert!(told.starts_with("record is not in this program"), "{told}");
        assert!(told.contains("Linux") && !told.contains('\n'), "{told}");
    }
}
