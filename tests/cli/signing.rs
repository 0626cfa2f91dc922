//! Commits and tags signed as git's settings ask, by the program they name.

use crate::bench::Bench;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::Command;

/// Adds lines to the home's git settings.
fn settings(bench: &Bench, more: &str) {
    let path = bench.home().join(".gitconfig");
    let text = fs::read_to_string(&path).expect("there");
    fs::write(path, format!("{text}{more}")).expect("written");
}

/// A bench whose git signs with an ssh key of its own; `None` where there is no ssh-keygen.
fn signing_with_ssh(bench: Bench) -> Option<Bench> {
    let key = bench.home().join("key");
    let made = Command::new("ssh-keygen")
        .args(["-q", "-t", "ed25519", "-N", "", "-C", "bench", "-f"])
        .arg(&key)
        .status();
    if !made.is_ok_and(|status| status.success()) {
        eprintln!("skipped: there is no ssh-keygen");
        return None;
    }
    let public = fs::read_to_string(bench.home().join("key.pub")).expect("made");
    fs::write(bench.home().join("allowed"), format!("tuner@bench.invalid {public}")).expect("written");
    settings(
        &bench,
        "[user]\n\tsigningkey = ~/key\n[commit]\n\tgpgsign = true\n[tag]\n\tgpgsign = true\n\
         [gpg]\n\tformat = ssh\n[gpg \"ssh\"]\n\tallowedSignersFile = ~/allowed\n",
    );
    Some(bench)
}

/// A program in the home that git's settings can name.
fn program(bench: &Bench, name: &str, script: &str) -> String {
    let path = bench.home().join(name);
    fs::write(&path, format!("#!/bin/sh\n{script}\n")).expect("written");
    fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).expect("set");
    path.to_str().expect("UTF-8").to_owned()
}

fn refused(bench: &Bench, told: &[&str]) {
    let before = bench.snapshot();
    let said = bench.on_bike(&["run"]).exits(3).says("refused (signing)");
    for text in told {
        assert!(said.complains(text), "no `{text}` in {said:#?}");
    }
    let json = bench.on_bike(&["--json", "run"]).exits(3).json();
    assert_eq!(json["refused"]["guard"], "signing");
    assert!(bench.snapshot() == before, "something was written");
}

#[test]
fn every_revision_is_signed_and_git_accepts_the_signatures() {
    let Some(bench) = signing_with_ssh(Bench::with_bike()) else { return };
    bench.simulate(1, 6);
    bench.on_bike(&["run"]).exits(0).says("r2");
    bench.on_bike(&["rollback", "r1", "--why", "to compare"]).exits(0).says("r3");
    for revision in ["r1", "r2", "r3"] {
        let good = "Good \"git\" signature for tuner@bench.invalid";
        bench.git(&["verify-commit", &format!("{revision}^{{commit}}")]).exits(0).says(good);
        bench.git(&["verify-tag", revision]).exits(0).says(good);
    }
    bench.assert_whole();
    let report = bench.on_bike(&["--json", "verify"]).exits(0).json();
    for revision in report["revisions"].as_array().expect("revisions") {
        assert!(revision["commit_signed"] == true && revision["tag_signed"] == true, "{revision:#}");
    }
    bench.on_bike(&["history"]).exits(0).says("to compare");
    // The demo's invented rider has no key, and the user's is not for that name.
    bench.rideloop(&["demo", "fresh"]).exits(0);
    // Turned off for this bike alone, as the refusal advises, the next revision is not signed.
    bench.git(&["config", "commit.gpgsign", "false"]).exits(0);
    bench.git(&["config", "tag.gpgsign", "false"]).exits(0);
    bench.on_bike(&["rollback", "r2", "--why", "back"]).exits(0).says("r4");
    bench.git(&["verify-commit", "r4^{commit}"]).exits(1);
    bench.on_bike(&["verify", "r4"]).exits(0).says("not signed").says("all fit together");
}

#[test]
fn a_signature_that_cannot_be_made_is_refused_and_nothing_is_written() {
    let bench = Bench::with_bike();
    bench.simulate(1, 6);
    settings(&bench, "[commit]\n\tgpgsign = true\n[gpg]\n\tprogram = no-such-program\n");
    // Not even a repository is made before the key has proved good.
    refused(
        &bench,
        &["`no-such-program` is not there", "`gpg.program`", "settings ask for it: commit.gpgsign"],
    );
    assert!(!bench.bike.join(".git").exists());
    let off = |bench: &Bench| {
        let path = bench.home().join(".gitconfig");
        let text = fs::read_to_string(&path).expect("there");
        fs::write(path, text.split("[commit]").next().expect("a head")).expect("written");
    };
    off(&bench);
    bench.on_bike(&["run"]).exits(0).says("r2");
    bench.simulate(2, 6);
    settings(&bench, "[commit]\n\tgpgsign = true\n[gpg]\n\tformat = ssh\n[user]\n\tsigningkey = ~/gone\n");
    refused(&bench, &["there is no key file", "`user.signingkey`", "git config commit.gpgsign false"]);
    off(&bench);
    let refusing = program(&bench, "refuses", "cat >/dev/null; echo 'agent refused operation' >&2; exit 2");
    settings(&bench, &format!("[commit]\n\tgpgsign = true\n[gpg]\n\tprogram = {refusing}\n"));
    refused(&bench, &["agent refused operation", "git config commit.gpgsign false"]);
    // Ending well is not enough: gpg says on its status channel that it has signed.
    fs::write(bench.home().join("refuses"), "#!/bin/sh\ncat >/dev/null; echo 'no signature'\n")
        .expect("written");
    refused(&bench, &["made no signature", "Bench Tuner <tuner@bench.invalid>"]);
    bench.git(&["config", "commit.gpgsign", "false"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("r3");
}

#[test]
fn a_program_for_openpgp_is_called_as_git_calls_it() {
    let bench = Bench::with_bike();
    let script = "cat > \"$HOME/payload\"; echo \"$@\" > \"$HOME/words\"\n\
                  printf '\\n[GNUPG:] SIG_CREATED D 1 8 00 1 AB\\n' >&2\n\
                  printf -- '-----BEGIN PGP SIGNATURE-----\\n\\nAAAA\\n-----END PGP SIGNATURE-----\\n'";
    let pgp = program(&bench, "pgp", script);
    settings(
        &bench,
        &format!("[commit]\n\tgpgsign = true\n[gpg]\n\tprogram = {pgp}\n[user]\n\tsigningkey = ABC\n"),
    );
    bench.simulate(1, 6);
    bench.on_bike(&["run"]).exits(0).says("r2");
    assert_eq!(
        fs::read_to_string(bench.home().join("words")).expect("called").trim(),
        "--status-fd=2 -bsau ABC"
    );
    let commit = bench.git(&["cat-file", "commit", "HEAD"]).exits(0).out;
    let header = "gpgsig -----BEGIN PGP SIGNATURE-----\n \n AAAA\n -----END PGP SIGNATURE-----\n";
    assert!(commit.contains(header), "{commit}");
    let payload = fs::read_to_string(bench.home().join("payload")).expect("signed");
    assert_eq!(commit.replace(header, ""), payload, "what was signed is the commit without its signature");
    bench.assert_whole();
    let report = bench.on_bike(&["--json", "verify", "r1"]).exits(0).json();
    assert_eq!(report["revisions"][0]["commit_signed"], true);
    assert_eq!(report["revisions"][0]["tag_signed"], false);
}
