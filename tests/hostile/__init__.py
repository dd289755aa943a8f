"""What a bad day brings, done to the rig on purpose: from a seed, by many thousands, held to one promise.

The promise (`promise.py`): nothing recorded is lost or changed, no traceback, no pass that its own numbers do not bear
out, one JSON document with --json, and an exit status that says what happened.

    promise.py      commands run in this process, and what each may do
    commands.py     every command of the command line with arguments for its parameters: a new one is covered at once
    ground.py       a workspace with records of several kinds, put right again after each try
    mutations.py, harm.py    text and bytes of files, mutated; what else becomes of files and folders, as their owner
    inputs.py, damage.py, captures.py, outside_text.py, sound_devices.py, kills.py, ...    a kind of try each
    virtual_time.py, sound_cards.py, card_tricks.py    a sound card that misbehaves
    card_benches.py benches with it, and what is wired to it
    surroundings.py what commands have about them that are killed: a card, a person at the page, a store of benches
    each_write.py   each kind of write of a command in turn, on a disk that fails there
    trials.py       all of them by name: a short run in the tests, a long one by hand

A try is a function of a random generator and a ground; it raises AssertionError where the promise is broken.
`trials.py` runs many, each from a seed of its own, and names the seed of one that failed:

    python tests/hostile/trials.py inputs --count 10000 --seed 1
    python tests/hostile/trials.py inputs --seed 4711 --count 1      # that one again
    python tests/hostile/trials.py disks --each rework label         # each kind of write of these commands; all: --each
    python tests/hostile/trials.py outputs --each                    # each line of each command's output
"""
