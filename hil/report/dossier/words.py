"""What a dossier says of itself: what it shows and what not, and how to check it without hil."""

from __future__ import annotations

PROVES = (
    "Every file of the dossier is as it was when the manifest was made: one changed byte, one "
    "missing or one added file is found and named.",
    "Which runs, items and judgements stand behind each requirement, which of them failed, and "
    "where the raw data are.",
    "Which items the plans of these runs hold, expanded from the kept plan and rig files, and "
    "which of them are in no run.",
    "Which firmware build the running board reported at the start and at the end of each run.",
    "Which seeded defects a plan with that SHA-256 catches on the simulated bench, where a "
    "campaign was named: about the plan, never about the firmware.",
    "With a signature: whoever holds the private key made or confirmed the manifest.",
)
PROVES_NOT = (
    "When it was made: times come from the clock of the computer; there is no trusted time in it.",
    "Who made it, without a signature: anyone who can write the folder can make the manifest anew. "
    "Write the seal on the signed page, or sign the dossier.",
    "Whose key signed it: keeping the private key, and handing on the public one, is yours.",
    "That no other run exists: runs that were left out cannot be seen from here.",
    "That repeated starts of one board speak for other boards.",
    "That the firmware meets a standard: evidence is arranged to support a clause, and people "
    "decide.",
)

HOW_TO_VERIFY = """\
How to check this dossier without the software that made it
===========================================================

Needed: a shell with sha256sum (GNU coreutils) and, for the signature, OpenSSL 3.
Work in the folder of the dossier.

1. Every file is as it was

     sha256sum --check --strict --quiet manifest.sha256

   Silence means that every listed file is as it was; else the changed or missing ones are named.

2. No file was added

     find . -type f ! -path './manifest.sha256' ! -path './manifest.sha256.sig' -printf '%P\\n' \\
       | LC_ALL=C sort > /tmp/found
     sed '/^#/d; s/^[0-9a-f]*  //' manifest.sha256 | LC_ALL=C sort > /tmp/listed
     diff /tmp/listed /tmp/found && echo 'no file was added'

3. The manifest itself is as it was

   Its files are chained. The first chain value is the SHA-256 of the five lines at the top, with
   their line ends. Each further one is the SHA-256 of: the chain value before it, one space, the
   line of the file, a line end. The last one is the seal. To follow the chain (bash):

     chain=$(head -n 5 manifest.sha256 | sha256sum | cut -c 1-64)
     sed 1,5d manifest.sha256 | while IFS= read -r line; do
       case "$line" in
         '# chain '*) [ "$line" = "# chain $chain" ] || { echo "broken before: $line"; break; } ;;
         '# seal '*)  [ "${line##* }" = "$chain" ] && echo "the chain holds, seal $chain" ;;
         *) chain=$(printf '%s %s\\n' "$chain" "$line" | sha256sum | cut -c 1-64) ;;
       esac
     done

   Compare the seal with the one that was written on the signed page, or told to you another way.
   Without that, somebody may have made files and manifest anew.

4. The signature, if there is a file manifest.sha256.sig

     openssl pkeyutl -verify -pubin -inkey PUBLIC.pem -rawin \\
       -in manifest.sha256 -sigfile manifest.sha256.sig

   PUBLIC.pem is the public key (Ed25519) of the person or team that you expect, obtained from
   them. The enclosed public-key.pem only shows that signature and manifest belong together.
   To add a signature later, with a key behind a pass phrase for instance:

     openssl pkeyutl -sign -inkey PRIVATE.pem -rawin -in manifest.sha256 -out manifest.sha256.sig

What is in the folder
=====================

  dossier.html          for people: requirements, evidence, changes, waivers, signature block
  dossier.pdf           the same to be printed, if it was asked for
  dossier.json          the same for machines, described by dossier.schema.json (JSON Schema)
  inputs/               the requirement file and the waiver file as they were given
  campaigns/            what the plans would catch: seeded defects, if a campaign was named
  previous/             what the dossier of the release before said, if one was named
  runs/                 a complete copy of every run: record, traces, raw serial bytes, inputs
    RUN/record.jsonl    one line an event; each result with its measures, bands and verdicts
    RUN/manifest.json   hashes of the run, made when it ended
  manifest.sha256       hashes of all of these
  manifest.sha256.sig   the signature, if it was signed, and the key to it in public-key.pem

With the software:  hil verify FOLDER [--key PUBLIC.pem]   names the first altered file.

What this shows
===============

{shows}

What this does not show
=======================

{shows_not}
"""


def how_to_verify() -> str:
    """The text of HOW-TO-VERIFY.txt."""
    return HOW_TO_VERIFY.replace("{shows}", _points(PROVES)).replace(
        "{shows_not}", _points(PROVES_NOT)
    )


def _points(sentences: tuple[str, ...]) -> str:
    import textwrap

    return "\n".join(
        textwrap.fill(text, 96, initial_indent="- ", subsequent_indent="  ") for text in sentences
    )
