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
    for force in [false, true] {
        assert!(matches!(OutputSet::begin(room.path(), force), Err(OutputError::NotOurs(_))));
    }
    let target = room.path().join("out");
    standing(&target, &[("a.txt", "one")]);
    assert!(matches!(OutputSet::begin(&target, false), Err(OutputError::Exists(_))));
}

#[test]
fn force_replaces_our_files_and_keeps_others() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("sites.csv", "one"), ("round.csv", "two")]);
    fs::write(target.join("mine.txt"), "keep me").unwrap();
    let mut second = OutputSet::begin(&target, true).unwrap();
    put(&mut second, "sites.csv", "new");
    second.commit().unwrap();
    let read = |name: &str| fs::read_to_string(target.join(name)).ok();
    assert_eq!(read("sites.csv").as_deref(), Some("new"));
    assert_eq!(read("round.csv"), None);
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
    assert_eq!(again.commit().unwrap().files.len(), 2);
    let read = |name: &str| fs::read_to_string(target.join(name)).unwrap();
    assert_eq!([read("a.txt"), read("b.txt"), read("c.txt")], ["one", "new", "three"]);
    assert_eq!(
        Manifest::read(&target).unwrap().files.keys().collect::<Vec<_>>(),
        ["a.txt", "b.txt", "c.txt"]
    );
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
    standing(&target, &[("man1/stakeline.1", "one")]);
    fs::write(target.join("man1/mine.txt"), "keep me").unwrap();
    let mut second = OutputSet::begin(&target, true).unwrap();
    put(&mut second, "b.txt", "two");
    second.commit().unwrap();
    assert_eq!(fs::read_to_string(target.join("man1/mine.txt")).unwrap(), "keep me");
    assert!(!target.join("man1/stakeline.1").exists());
}

#[test]
fn a_foreign_file_is_never_replaced() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("a.txt", "one")]);
    fs::write(target.join("sites.csv"), "mine").unwrap();
    fs::write(target.join("photo.jpg"), "mine too").unwrap();
    let mut set = OutputSet::begin(&target, true).unwrap();
    let refused = set.write("sites.csv", |out| out.write_all(b"ours"));
    assert!(matches!(refused, Err(OutputError::InTheWay(path)) if path.ends_with("sites.csv")));
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
    fs::write(
        target.join(MANIFEST),
        r#"{"stakeline": "0", "files": {"../secret.txt": {}, "/etc/hostname": {}, "a.txt": {}}}"#,
    )
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

/// A whole set, then what somebody did to it, then another run that writes `sites.csv`.
fn written_again(meddle: impl FnOnce(&Path)) -> (tempfile::TempDir, PathBuf, Result<Committed, OutputError>) {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("sites.csv", "one"), ("round.csv", "two"), ("plan.toml", "plan")]);
    meddle(&target);
    let mut set = OutputSet::begin(&target, true).unwrap();
    let done = set.write("sites.csv", |out| out.write_all(b"new")).and_then(|()| set.commit());
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
    (room, target, done)
}

#[test]
fn a_changed_file_is_never_replaced() {
    let (_room, target, done) = written_again(|target| {
        fs::write(target.join("sites.csv"), "one, with notes").unwrap();
        fs::write(target.join("round.csv"), "two, with notes").unwrap();
    });
    let told = done.unwrap_err().to_string();
    assert!(told.contains("2 files were changed") && told.contains("round.csv, sites.csv"), "{told}");
    assert_eq!(fs::read_to_string(target.join("sites.csv")).unwrap(), "one, with notes");
    assert_eq!(fs::read_to_string(target.join("round.csv")).unwrap(), "two, with notes");
}

#[test]
fn a_changed_file_of_an_old_set_stays_and_is_told() {
    let (_room, target, done) = written_again(|target| {
        fs::write(target.join("round.csv"), "two, with notes").unwrap();
    });
    let done = done.unwrap();
    assert!(done.notes.len() == 1 && done.notes[0].contains("round.csv"), "{:?}", done.notes);
    assert_eq!(fs::read_to_string(target.join("round.csv")).unwrap(), "two, with notes");
    assert_eq!(fs::read_to_string(target.join("sites.csv")).unwrap(), "new");
}

#[test]
fn what_is_given_to_be_worked_on_is_never_cleared_away() {
    let (_room, target, done) = written_again(|_| {});
    assert_eq!(done.unwrap().notes.len(), 0);
    assert_eq!(fs::read_to_string(target.join("plan.toml")).unwrap(), "plan");
    assert!(!target.join("round.csv").exists());
}

#[test]
fn a_manifest_that_names_the_users_files_takes_none_of_them() {
    let (_room, target, done) = written_again(|target| {
        fs::write(target.join("photo.jpg"), "mine").unwrap();
        fs::write(target.join("map.html"), "mine too").unwrap();
        let sha256 = hash_file(&target.join("photo.jpg")).unwrap();
        let mut manifest = Manifest::read(target).unwrap();
        manifest.files.insert("photo.jpg".into(), json!({ "sha256": sha256 }));
        manifest.files.insert("map.html".into(), json!({ "sha256": sha256 }));
        manifest.write(target).unwrap();
    });
    assert!(done.unwrap().notes[0].contains("map.html"));
    assert_eq!(fs::read_to_string(target.join("photo.jpg")).unwrap(), "mine");
    assert_eq!(fs::read_to_string(target.join("map.html")).unwrap(), "mine too");
}

#[test]
fn an_input_is_neither_replaced_nor_cleared_away() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("sites.csv", "one"), ("round.csv", "two")]);
    let spelled = target.join("../out/./round.csv");
    let begin = |inputs: &[&Path]| {
        let mut set = OutputSet::begin(&target, true).unwrap();
        set.keep_inputs(inputs.iter().copied());
        set
    };
    let mut set = begin(&[&target.join("sites.csv")]);
    let refused = set.write("sites.csv", |out| out.write_all(b"new"));
    assert!(matches!(refused, Err(OutputError::ReadHere(_))), "{refused:?}");
    drop(set);
    let mut set = begin(&[&spelled]);
    put(&mut set, "sites.csv", "new");
    assert!(set.commit().unwrap().notes[0].contains("round.csv"));
    assert_eq!(fs::read_to_string(target.join("round.csv")).unwrap(), "two");
}

#[cfg(unix)]
#[test]
fn an_input_behind_a_link_is_kept() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("sites.csv", "one"), ("round.csv", "two")]);
    let link = room.path().join("stations.csv");
    std::os::unix::fs::symlink(target.join("round.csv"), &link).unwrap();
    let mut set = OutputSet::begin(&target, true).unwrap();
    set.keep_inputs([link.as_path()]);
    put(&mut set, "sites.csv", "new");
    set.commit().unwrap();
    assert_eq!(fs::read_to_string(&link).unwrap(), "two");
}

#[cfg(unix)]
#[test]
fn only_a_folder_may_stand_at_the_target() {
    use rustix::fs::{CWD, FileType, Mode, mknodat};
    let room = tempfile::tempdir().unwrap();
    let pipe = room.path().join("pipe");
    mknodat(CWD, &pipe, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
    let _socket = std::os::unix::net::UnixListener::bind(room.path().join("socket")).unwrap();
    fs::write(room.path().join("file"), "mine").unwrap();
    std::os::unix::fs::symlink(&pipe, room.path().join("to-pipe")).unwrap();
    std::os::unix::fs::symlink("nowhere", room.path().join("to-nowhere")).unwrap();
    for (name, what) in
        [("pipe", "a named pipe"), ("socket", "a socket"), ("file", "a file"), ("to-pipe", "a named pipe")]
    {
        for force in [false, true] {
            let told = OutputSet::begin(&room.path().join(name), force).unwrap_err().to_string();
            assert!(told.contains(what) && told.contains("not a folder"), "{told}");
        }
    }
    let dead = OutputSet::begin(&room.path().join("to-nowhere"), true);
    assert!(matches!(dead, Err(OutputError::DeadLink(_))));
    // What is put there while a run works is not exchanged for a folder either.
    let late = room.path().join("late");
    let mut set = OutputSet::begin(&late, false).unwrap();
    put(&mut set, "a.txt", "one");
    mknodat(CWD, &late, FileType::Fifo, Mode::RUSR, 0).unwrap();
    assert!(matches!(set.commit(), Err(OutputError::NotAFolder { .. })));
    assert!(std::os::unix::fs::FileTypeExt::is_fifo(&late.metadata().unwrap().file_type()));
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 6, "something is left");
}

#[cfg(unix)]
#[test]
fn a_folder_keeps_its_mode_and_empty_folders_of_the_users() {
    use std::os::unix::fs::PermissionsExt;
    let mode = |p: &Path| p.metadata().unwrap().permissions().mode() & 0o7777;
    let (_room, target, done) = written_again(|target| {
        fs::create_dir_all(target.join("photos/2026")).unwrap();
        fs::create_dir(target.join("closed")).unwrap();
        fs::write(target.join("closed/mine.txt"), "keep me").unwrap();
        fs::set_permissions(target.join("closed"), fs::Permissions::from_mode(0o555)).unwrap();
        fs::set_permissions(target, fs::Permissions::from_mode(0o2750)).unwrap();
    });
    done.unwrap();
    assert_eq!((mode(&target), mode(&target.join("closed"))), (0o2750, 0o555));
    assert!(target.join("photos/2026").is_dir());
    assert_eq!(fs::read_to_string(target.join("closed/mine.txt")).unwrap(), "keep me");
    fs::set_permissions(target.join("closed"), fs::Permissions::from_mode(0o755)).unwrap();
}

#[cfg(unix)]
#[test]
fn own_files_stay_the_same_files() {
    use rustix::fs::{CWD, FileType, Mode, mknodat};
    use std::os::unix::fs::{FileTypeExt, MetadataExt, symlink};
    let mut number = 0;
    let (_room, target, done) = written_again(|target| {
        fs::write(target.join("mine.txt"), "keep me").unwrap();
        number = target.join("mine.txt").metadata().unwrap().ino();
        symlink("nowhere", target.join("link")).unwrap();
        mknodat(CWD, target.join("pipe"), FileType::Fifo, Mode::RUSR, 0).unwrap();
    });
    done.unwrap();
    assert_eq!(target.join("mine.txt").metadata().unwrap().ino(), number);
    assert_eq!(fs::read_link(target.join("link")).unwrap(), Path::new("nowhere"));
    assert!(target.join("pipe").symlink_metadata().unwrap().file_type().is_fifo());
}

/// A run killed after the two folders changed places, before the old one was cleared up: own
/// files are in the new folder already, and the next run ends what was begun.
#[cfg(target_os = "linux")]
#[test]
fn a_run_killed_while_it_clears_up_has_hidden_nothing() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("sites.csv", "one"), ("round.csv", "two")]);
    fs::write(target.join("mine.txt"), "keep me").unwrap();
    swap::tests::exchanged_only(&target, &[("sites.csv", "new")]);
    assert_eq!(fs::read_to_string(target.join("mine.txt")).unwrap(), "keep me");
    assert_eq!(fs::read_to_string(target.join("sites.csv")).unwrap(), "new");
    // What the user does until the next run is theirs as well.
    fs::write(target.join("mine.txt"), "kept and changed").unwrap();
    fs::write(beside(&target, "new").join("late.txt"), "written by a program that was still there").unwrap();
    drop(OutputSet::begin(&target, true).unwrap());
    assert_eq!(fs::read_to_string(target.join("mine.txt")).unwrap(), "kept and changed");
    assert_eq!(fs::read_to_string(target.join("sites.csv")).unwrap(), "new");
    assert!(target.join("late.txt").exists() && !target.join("round.csv").exists());
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
}

/// Who works in the output folder is still in it when a run has written it anew, and a folder of
/// pages that are no longer written goes.
#[cfg(target_os = "linux")]
#[test]
fn the_folder_stays_the_same_folder() {
    use std::os::unix::fs::MetadataExt;
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("out");
    standing(&target, &[("sites.csv", "one"), ("man1/stakeline.1", "a page")]);
    fs::create_dir(target.join("photos")).unwrap();
    let numbers = || [&target, &target.join("photos")].map(|p| p.metadata().unwrap().ino());
    let before = numbers();
    for turn in 0..3 {
        let mut set = OutputSet::begin(&target, true).unwrap();
        put(&mut set, "sites.csv", &format!("turn {turn}"));
        put(&mut set, "completions/stakeline.bash", "words");
        set.commit().unwrap();
        assert_eq!(numbers(), before);
        assert_eq!(fs::read_to_string(target.join("sites.csv")).unwrap(), format!("turn {turn}"));
        assert!(!target.join("man1").exists() && target.join("completions/stakeline.bash").exists());
        assert_eq!(target.join("sites.csv").metadata().unwrap().nlink(), 1);
        assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
    }
}
