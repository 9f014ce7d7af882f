//! Output sets that are whole, killed, in the way and in use.

use super::swap::beside;
use super::*;

fn put(set: &mut OutputSet, name: &str, text: &str) {
    set.write(name, |out| out.write_all(text.as_bytes())).unwrap();
}

/// A whole set of some files.
fn standing(target: &Path, files: &[(&str, &str)]) {
    let mut set = OutputSet::begin(target, false).unwrap();
    files.iter().for_each(|(name, text)| put(&mut set, name, text));
    set.commit().unwrap();
}

#[test]
fn a_dropped_set_leaves_nothing() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    put(&mut OutputSet::begin(&target, false).unwrap(), "a.txt", "half");
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 0);
}

#[test]
fn a_folder_with_content_is_refused_without_force() {
    let room = tempfile::tempdir().unwrap();
    fs::write(room.path().join("mine.txt"), "keep me").unwrap();
    assert!(matches!(OutputSet::begin(room.path(), false), Err(OutputError::Exists(_))));
}

#[test]
fn force_replaces_our_files_and_keeps_others() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("a.txt", "one"), ("b.txt", "two")]);
    fs::write(target.join("mine.txt"), "keep me").unwrap();
    let mut second = OutputSet::begin(&target, true).unwrap();
    put(&mut second, "a.txt", "new");
    second.commit().unwrap();
    let read = |name: &str| fs::read_to_string(target.join(name)).ok();
    assert_eq!(read("a.txt").as_deref(), Some("new"));
    assert_eq!(read("b.txt"), None);
    assert_eq!(read("mine.txt").as_deref(), Some("keep me"));
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
}

#[test]
fn a_reopened_set_keeps_what_is_not_written_anew() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    assert!(matches!(OutputSet::reopen(&target), Err(OutputError::NoSet(_))));
    standing(&target, &[("a.txt", "one"), ("b.txt", "two")]);
    let mut again = OutputSet::reopen(&target).unwrap();
    put(&mut again, "b.txt", "new");
    put(&mut again, "c.txt", "three");
    assert_eq!(again.commit().unwrap().len(), 3);
    let read = |name: &str| fs::read_to_string(target.join(name)).unwrap();
    assert_eq!([read("a.txt"), read("b.txt"), read("c.txt")], ["one", "new", "three"]);
    assert_eq!(manifest::entries(&target).unwrap().keys().collect::<Vec<_>>(), ["a.txt", "b.txt", "c.txt"]);
}

#[test]
fn an_interrupted_swap_is_undone_by_the_next_run() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("a.txt", "one")]);
    fs::rename(&target, beside(&target, "old")).unwrap();
    drop(OutputSet::begin(&target, true).unwrap());
    assert_eq!(fs::read_to_string(target.join("a.txt")).unwrap(), "one");
}

#[test]
fn the_hash_of_a_summary_leaves_seconds_out() {
    let room = tempfile::tempdir().unwrap();
    let hash_of = |seconds: f64| {
        let target = room.path().join(format!("out{seconds}"));
        let mut set = OutputSet::begin(&target, false).unwrap();
        set.write_summary("s.json", &json!({ "n": 3, "seconds": seconds })).unwrap();
        set.commit().unwrap();
        fs::read_to_string(target.join(MANIFEST)).unwrap()
    };
    assert_eq!(hash_of(1.0), hash_of(2.0));
}

#[test]
fn a_foreign_file_in_a_folder_of_ours_is_kept() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("property/a.txt", "one")]);
    fs::write(target.join("property/mine.txt"), "keep me").unwrap();
    let mut second = OutputSet::begin(&target, true).unwrap();
    put(&mut second, "b.txt", "two");
    second.commit().unwrap();
    assert_eq!(fs::read_to_string(target.join("property/mine.txt")).unwrap(), "keep me");
    assert!(!target.join("property/a.txt").exists());
}

#[test]
fn a_foreign_file_is_never_replaced() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    fs::create_dir(&target).unwrap();
    fs::write(target.join("sites.csv"), "mine").unwrap();
    fs::write(target.join("photo.jpg"), "mine too").unwrap();
    let mut set = OutputSet::begin(&target, true).unwrap();
    put(&mut set, "sites.csv", "ours");
    assert!(matches!(set.commit(), Err(OutputError::InTheWay(path)) if path.ends_with("sites.csv")));
    assert_eq!(fs::read_to_string(target.join("sites.csv")).unwrap(), "mine");
    let mut set = OutputSet::begin(&target, true).unwrap();
    put(&mut set, "nodes.json", "ours");
    set.commit().unwrap();
    assert_eq!(fs::read_to_string(target.join("photo.jpg")).unwrap(), "mine too");
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
}

#[test]
fn a_set_moved_aside_counts_as_there() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("a.txt", "one")]);
    fs::rename(&target, beside(&target, "old")).unwrap();
    assert!(matches!(OutputSet::begin(&target, false), Err(OutputError::Exists(_))));
    assert_eq!(fs::read_to_string(target.join("a.txt")).unwrap(), "one");
}

#[test]
fn a_second_run_into_the_same_folder_is_refused() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    let mut first = OutputSet::begin(&target, false).unwrap();
    assert!(matches!(OutputSet::begin(&target, false), Err(OutputError::InUse(_))));
    put(&mut first, "a.txt", "one");
    first.commit().unwrap();
    assert_eq!(fs::read_to_string(target.join("a.txt")).unwrap(), "one");
}

#[test]
fn a_manifest_cannot_lead_out_of_its_folder() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    fs::create_dir(&target).unwrap();
    fs::write(room.path().join("secret.txt"), "secret").unwrap();
    fs::write(target.join(MANIFEST), r#"{"files": {"../secret.txt": {}, "/etc/hostname": {}, "a.txt": {}}}"#)
        .unwrap();
    fs::write(target.join("a.txt"), "one").unwrap();
    let set = OutputSet::reopen(&target).unwrap();
    assert_eq!(set.names().collect::<Vec<_>>(), ["a.txt"]);
    set.commit().unwrap();
    assert_eq!(fs::read_to_string(room.path().join("secret.txt")).unwrap(), "secret");
}

#[cfg(unix)]
#[test]
fn a_link_to_a_folder_is_followed() {
    let room = tempfile::tempdir().unwrap();
    let (real, link) = (room.path().join("real"), room.path().join("link"));
    fs::create_dir(&real).unwrap();
    std::os::unix::fs::symlink(&real, &link).unwrap();
    let mut set = OutputSet::begin(&link, false).unwrap();
    put(&mut set, "a.txt", "one");
    set.commit().unwrap();
    assert!(link.symlink_metadata().unwrap().is_symlink());
    assert_eq!(fs::read_to_string(real.join("a.txt")).unwrap(), "one");
}

#[test]
fn a_folder_in_the_way_of_a_file_is_kept() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("a.txt", "one")]);
    let mut second = OutputSet::begin(&target, true).unwrap();
    put(&mut second, "a.txt", "new");
    // A folder of the user's own, where the set in the making already has a file.
    put(&mut second, "notes", "ours");
    fs::create_dir(target.join("notes")).unwrap();
    fs::write(target.join("notes/mine.txt"), "keep me").unwrap();
    assert!(matches!(second.commit(), Err(OutputError::InTheWay(_))));
    assert_eq!(fs::read_to_string(target.join("notes/mine.txt")).unwrap(), "keep me");
    assert_eq!(fs::read_to_string(target.join("a.txt")).unwrap(), "one");
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
}

#[test]
fn a_run_never_removes_the_folder_of_the_next() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    std::thread::scope(|scope| {
        for k in 0..4 {
            let target = &target;
            scope.spawn(move || {
                for turn in 0..100 {
                    match OutputSet::begin(target, true) {
                        Ok(mut set) => {
                            put(&mut set, "a.txt", &format!("{k} {turn}"));
                            set.commit().unwrap();
                        }
                        Err(why) => assert!(matches!(why, OutputError::InUse(_)), "{why}"),
                    }
                }
            });
        }
    });
    assert!(fs::read_to_string(target.join("a.txt")).is_ok());
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
}
