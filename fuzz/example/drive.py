"""Compares an implementation with the core through a pipe, on random words.

    python3 drive.py --pipe target/release/core-pipe [--words 20000] [--seed 1] [--planted]

Exit status: 0 if all answers are equal, 1 if one differs (the simplest is shown), 2 if the core
could not be asked.
"""

import argparse
import random
import subprocess
import sys

from implementation import Decoder, encode


def words(number, seed):
    """Code words with 0 to 4 wrong bits, and noise: what is nearly right finds more than noise."""
    source = random.Random(seed)
    for _ in range(number):
        if source.random() < 0.1:
            yield source.getrandbits(24), 24
            continue
        wrong = source.sample(range(24), source.randint(0, 4))
        yield encode(source.getrandbits(12)) ^ sum(1 << place for place in wrong), len(wrong)


def ask(pipe, questions):
    """All questions at once: a process for each would take hours."""
    done = subprocess.run([pipe], input="\n".join(questions) + "\n", capture_output=True, text=True)
    answers = done.stdout.splitlines()
    if done.returncode or len(answers) != len(questions):
        sys.exit(f"{pipe} gave {len(answers)} answers to {len(questions)} questions")
    for question, answer in zip(questions, answers):
        if answer.startswith("error: "):
            sys.exit(f"{question}: {answer}")
    return answers


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--pipe", required=True)
    arguments.add_argument("--words", type=int, default=20_000)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--planted", action="store_true")
    given = arguments.parse_args()
    decoder = Decoder(given.planted)
    tried = list(words(given.words, given.seed))
    try:
        answers = ask(given.pipe, [f"golay-decode {word:06x}" for word, _ in tried])
    except (OSError, SystemExit) as error:
        print(f"the core could not be asked: {error}", file=sys.stderr)
        return 2
    differences = []
    for (word, wrong), theirs in zip(tried, answers):
        message, weight = decoder.decode(word)
        ours = f"{message:04x} {'-' if weight is None else weight}"
        if ours != theirs:
            differences.append((wrong, word, ours, theirs))
    if not differences:
        print(f"{len(tried)} words: all answers are equal")
        return 0
    wrong, word, ours, theirs = min(differences)
    print(f"{len(differences)} of {len(tried)} answers differ; the simplest:")
    print(f"word {word:06x} ({wrong} wrong bits): ours {ours}, the core's {theirs}")
    return 1


if __name__ == "__main__":
    sys.exit(main())
