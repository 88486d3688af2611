//! `farrier journal` and `farrier snapshot`: what was done is told, and two states are compared.

use super::loader::demo_application;
use super::{Home, Ran};
use std::fs;

/// Two boards: one fitted with a loader and an application, with a tag; one on which a job was cut off.
fn bench(home: &Home) {
    let application = home.file("frost.hex", demo_application("frost"));
    home.run("sim new bed4 --board frost --seed 1").exits(0);
    home.run(&format!("loader install --with {} --via sim:bed4 --tag 1187 --yes", application.display())).exits(0);
    home.run("configure brown-out=off --via sim:bed4 --tag 1187 --yes").exits(0);
    home.run("sim new roof --board vent --seed 2").exits(0);
    home.run("sim damage roof power-cut=300").exits(0);
    let cut = home.run("loader install --via sim:roof --tag 1190 --yes");
    assert!(cut.code != 0 && cut.err.contains("is unfinished"), "the cut falls in the middle\n{}{}", cut.out, cut.err);
    home.run("sim repair roof").exits(0);
}

fn jobs(ran: &Ran) -> Vec<i64> {
    ran.exits(0).json()["jobs"].as_array().expect("a list").iter().map(|job| job["job"].as_i64().expect("a number")).collect()
}

#[test]
fn the_list_is_filtered_by_board_tag_chip_date_and_state() {
    let home = Home::new();
    bench(&home);
    for (filter, wanted) in [
        ("", vec![1, 2, 3]),
        ("--board frost", vec![1, 2]),
        ("--tag 1190", vec![3]),
        ("--chip atmega328p", vec![1, 2]),
        ("--unfinished", vec![3]),
        ("--since 2020-01-01", vec![1, 2, 3]),
        ("--since 2120-01-01", vec![]),
    ] {
        assert_eq!(jobs(&home.run(&format!("journal {filter} --json"))), wanted, "{filter}");
    }
    home.run("journal --tag 99").exits(0).says("None of the 3 jobs in the journal is like that.");
    home.run("journal --since yesterday").exits(2);
}

#[test]
fn the_findings_of_the_last_run_are_explained() {
    let home = Home::new();
    home.run("explain --last").exits(2).says("the journal is empty");
    home.run("explain --last wrong-chip").exits(2);
    home.run("loader install --via sim:vent --yes").exits(0);
    // It asks for consents, so no job begins.
    let remove = "loader remove --via sim:vent --yes";
    home.run(remove).exits(3);
    let told = home.run("explain --last");
    told.exits(0)
        .says("No job began")
        .says("loader-removed")
        .says("or add --accept loader-removed")
        .says(&format!("Next: farrier {remove}"));
    assert!(home.run("explain --last --json").exits(0).json()["job"].is_null());
    home.run("configure serial-programming=off --via sim:vent --yes").exits(3);
    home.run("explain --last").exits(0).says("loses-programming-access").says("Nothing lifts it");
    home.run("loader install --via sim:vent --dry-run").exits(0);
    assert!(!home.run("explain --last").exits(0).says("loader install --via sim:vent --dry-run").out.contains("loses-"));
    home.run(&format!("{remove} --accept loader-removed --accept reset-into-empty-flash")).exits(0);
    let told = home.run("explain --last");
    told.exits(0).says("loader-removed").says("Found").says("Why it matters").says("only through the programming header");
    told.says("farrier undo 2 --via sim:vent");
    let shown = home.run("journal show 2 --json").json()["findings"].clone();
    let document = home.run("explain --last --json").json();
    let row = &document["findings"][0];
    assert_eq!((&row["finding"], &row["sentence"], &row["accepted"]), (&shown[0]["finding"], &shown[0]["sentence"], &shown[0]["accepted"]));
    assert_eq!(document["findings"].as_array().map(Vec::len), shown.as_array().map(Vec::len));
}

#[test]
fn one_job_is_shown_with_all_that_was_kept() {
    let home = Home::new();
    bench(&home);
    let shown = home.run("journal show 1");
    shown.exits(0).says("tag 1187").says("Finished. Proved:").says("(planned: ").says("for the flash, SHA-256").says("done");
    home.run("journal show last").exits(0).says("Not finished;").says("begun, not finished").says("Its run stopped:").says("not begun");
    let document = home.run("journal show 1 --json").json();
    let image = &document["images"][1];
    assert_eq!(image["memory"], "flash");
    // What the journal says of the image is what anybody can work out from it.
    let hex = farrier::image::parse(demo_application("frost").to_vec(), None).expect("its HEX is right");
    assert_eq!(image["bytes"].as_u64(), Some(hex.flash().len() as u64));
    let raw = home.path().join("frost.bin");
    fs::write(&raw, hex.flash().runs().flat_map(|(_, run)| run.to_vec()).collect::<Vec<u8>>()).expect("a file");
    let sum = std::process::Command::new("sha256sum").arg(&raw).output().expect("sha256sum is part of coreutils");
    assert!(String::from_utf8_lossy(&sum.stdout).starts_with(image["sha256"].as_str().expect("a sum")));
    for step in document["plan"].as_array().expect("steps") {
        assert!(step["took_us"].is_u64() && step["finished"].is_string(), "{step}");
    }
    assert!(document["took_us"].as_u64() > Some(0) && document["estimate_us"].as_u64() > Some(0));
    home.run("journal show 9").exits(2).says("there is no job 9");
}

#[test]
fn an_export_holds_a_row_a_job_and_is_never_written_over() {
    let home = Home::new();
    bench(&home);
    home.run("journal export jobs.csv").exits(0).says("3 jobs are written to jobs.csv.");
    let text = fs::read_to_string(home.path().join("jobs.csv")).expect("the file");
    let mut lines = text.lines();
    let columns = lines.next().expect("a head").split(',').count();
    assert_eq!(lines.clone().count(), 3);
    assert!(lines.clone().all(|line| line.split(',').count() >= columns), "{text}");
    assert!(text.contains("1187") && text.contains("farrier loader install"));
    home.run("journal export jobs.csv").exits(2).says("Nothing is overwritten");
    assert_eq!(fs::read_to_string(home.path().join("jobs.csv")).expect("the file"), text);
    home.run("journal export unfinished.jsonl --unfinished").exits(0).says("1 job is written");
    let text = fs::read_to_string(home.path().join("unfinished.jsonl")).expect("the file");
    let lines: Vec<serde_json::Value> = text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    assert_eq!((lines.len(), &lines[0]["tag"], &lines[0]["version"]), (1, &"1190".into(), &1.into()));
}

#[test]
fn a_report_is_one_page_with_everything_in_it() {
    let home = Home::new();
    // A page in the middle of the flash, and a tag that is no HTML.
    let image = home.file("middle.bin", &[0x0C; 512]);
    home.run("sim new bed4 --board frost").exits(0);
    let mut command = home.command();
    let image = image.to_str().expect("a path");
    let args = ["write", image, "--at", "0x4000", "--via", "sim:bed4", "--tag", "bed <4> & \"5\"", "--yes"];
    let accepts = ["--accept", "image-may-not-start", "--accept", "reset-into-empty-flash"];
    assert!(command.args(args).args(accepts).output().expect("it runs").status.success());
    home.run("journal report last job.html").exits(0).says("The report of job 1 is written to job.html.");
    let page = fs::read_to_string(home.path().join("job.html")).expect("the file");
    for outside in ["<script", "http:", "https:", "src=", "href=", "@import", "url(\"", "<4>"] {
        assert!(!page.contains(outside), "{outside}");
    }
    for said in
        ["bed &lt;4&gt; &amp; &quot;5&quot;", "SIMULATED", "What was there", "What was done", "What is there now", "accepted", "brown-out"]
    {
        assert!(page.contains(said), "{said}");
    }
    // 32 KiB on 158 units from 22 on: 512 bytes from 0x4000 begin at 101 and are 2.47 wide, after the job and among the changes.
    let bars = page.matches("<rect x=\"101.00\"").count();
    let wide =
        page.matches("x=\"101.00\" y=\"18.00\" width=\"2.47\"").count() + page.matches("x=\"101.00\" y=\"27.00\" width=\"2.47\"").count();
    assert_eq!((bars, wide), (2, 2));
    home.run("journal report last job.html").exits(2).says("Nothing is overwritten");
}

#[test]
fn a_report_of_an_unfinished_job_says_so_and_a_lost_snapshot_too() {
    let home = Home::new();
    bench(&home);
    home.run("journal report 3 roof.html").exits(0);
    let page = fs::read_to_string(home.path().join("roof.html")).expect("the file");
    assert!(page.contains("This job was not finished.") && page.contains("What should be there afterwards"));
    assert!(!page.contains("What is there now"));
    fs::remove_dir_all(home.path().join("snapshots")).expect("it goes");
    home.run("journal report 1 lost.html").exits(0);
    let page = fs::read_to_string(home.path().join("lost.html")).expect("the file");
    assert!(page.contains("cannot be read: there is no snapshot called"), "{page}");
}

fn take(home: &Home, folder: &str, via: &str) -> String {
    let taken = home.run(&format!("snapshot take {folder} --via {via} --json"));
    taken.exits(0).json()["path"].as_str().expect("its path").to_owned()
}

#[test]
fn snapshots_of_a_board_are_listed() {
    let home = Home::new();
    bench(&home);
    for (filter, many) in [("", 3), ("--tag 1187", 2), ("--board vent", 1), ("--board vent --tag 1187", 0)] {
        let listed = home.run(&format!("snapshot list {filter} --json")).json();
        assert_eq!(listed["snapshots"].as_array().map(Vec::len), Some(many), "{filter}");
    }
}

#[test]
fn two_snapshots_are_compared_by_region_and_in_words() {
    let home = Home::new();
    bench(&home);
    let first = take(&home, "a", "sim:bed4");
    let again = take(&home, "b", "sim:bed4");
    home.run(&format!("snapshot compare {first} {again}")).exits(0).says("They hold the same.");
    home.run("configure brown-out=below-2v7 --via sim:bed4 --yes").exits(0);
    home.run("loader remove --via sim:bed4 --yes --accept loader-removed").exits(0);
    let second = take(&home, "c", "sim:bed4");
    let differ = home.run(&format!("snapshot compare {first} {second}"));
    differ.exits(1).says("They differ.").says("brown-out first: off").says("second: below-2v7").says("application 31 KiB the same");
    differ.says("bytes differ in").says("+ differs").says("settings 256 bytes the same");
    let document = home.run(&format!("snapshot compare {first} {second} --json")).json();
    assert_eq!(document["alike"], false);
    let names = |part: &serde_json::Value| part["name"].as_str().map(str::to_owned);
    let differing: Vec<_> = document["parts"].as_array().expect("parts").iter().filter(|part| part["alike"] == false).map(names).collect();
    assert_eq!(differing, [Some("loader".to_owned())]);
}

#[test]
fn what_one_snapshot_lacks_is_no_sameness() {
    let home = Home::new();
    bench(&home);
    let open = take(&home, "a", "sim:bed4");
    home.run("sim damage bed4 locked-chip=3").exits(0);
    let locked = take(&home, "b", "sim:bed4");
    home.run(&format!("snapshot compare {open} {locked}")).exits(1).says("only the first holds 31 KiB of it");
    home.run(&format!("snapshot compare {locked} {locked}")).exits(1).says("neither holds all of it");
    let other = take(&home, "c", "sim:roof");
    home.run(&format!("snapshot compare {open} {other}")).exits(1).says("they have nothing in common");
}

#[test]
fn a_lost_journal_does_not_make_a_half_changed_board_the_baseline() {
    let home = Home::new();
    bench(&home);
    let held = home.copy().export("roof");
    fs::remove_file(home.path().join("journal.sqlite")).expect("it goes");
    let asked = home.run("loader install --via sim:roof --yes");
    asked.exits(3).says("the journal knows no job").says("--resume none");
    assert_eq!(home.copy().export("roof").flash, held.flash);
    let restore = asked.err.lines().find(|line| line.trim_start().starts_with("farrier restore")).expect("the command to go back");
    let accepts = "--accept loader-removed --accept clock-source-changed --accept reset-into-empty-flash";
    home.run(&format!("{} --yes {accepts}", restore.trim().trim_start_matches("farrier "))).exits(0);
    assert!(home.copy().export("roof").flash.iter().all(|byte| *byte == 0xFF), "the board is as before the job");
    // A board that is as its last snapshot says is not asked about.
    fs::remove_file(home.path().join("journal.sqlite")).expect("it goes");
    home.run("sim reset bed4").exits(0);
    home.run("loader install --via sim:bed4 --yes --resume none").exits(0);
}
