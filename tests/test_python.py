#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""tools/python on the library that was built: layouts against the compiler's, behaviour, the
example, the wheel.  Skipped (77) without NumPy.

test_python.py LIBRARY SOURCE SANITIZE COMPILER...
"""
import csv
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import unittest
import zipfile

LIBRARY, SOURCE = (os.path.abspath(path) for path in sys.argv[1:3])
SANITIZE, COMPILER = sys.argv[3], sys.argv[4:]
try:
    import numpy as np
except ImportError:
    print("no NumPy: skipped")
    sys.exit(77)


def restart():
    """A library under AddressSanitizer wants its runtime to be there first."""
    if "address" not in SANITIZE or "UDG_PYTHON_RESTARTED" in os.environ:
        return
    runtime = subprocess.run([*COMPILER, "-print-file-name=libasan.so"], check=True,
                             capture_output=True, text=True).stdout.strip()
    os.environ.update(UDG_PYTHON_RESTARTED="1", LD_PRELOAD=runtime,
                      ASAN_OPTIONS="detect_leaks=0", PYTHONMALLOC="malloc")
    os.execv(sys.executable, [sys.executable, *sys.argv])


restart()
SCRATCH = tempfile.mkdtemp()
PACKAGE = os.path.join(SCRATCH, "underdigit")
shutil.copytree(os.path.join(SOURCE, "tools/python/underdigit"), PACKAGE,
                ignore=shutil.ignore_patterns("_abi.py", "__pycache__"))
subprocess.run([sys.executable, os.path.join(SOURCE, "tools/python/generate.py"),
                PACKAGE + "/_abi.py"], check=True)
sys.path.insert(0, SCRATCH)
os.environ["UNDERDIGIT_LIBRARY"] = LIBRARY

import underdigit as ud  # noqa: E402
from underdigit import _abi  # noqa: E402

DATA = os.path.join(SOURCE, "tests/fuzz")
SETTINGS = {"digit_height_min_px": 30, "digit_height_max_px": 40, "turn_max_deg": 8}


def plane(name):
    """A plane of the fuzz corpus: width - 1, height - 1, two more bytes, pixels."""
    raw = np.fromfile(f"{DATA}/corpus/inspect/{name}", dtype=np.uint8)
    return raw[4:].reshape(int(raw[1]) + 1, int(raw[0]) + 1)


def load():
    return ud.Reference.from_file(DATA + "/data/close_up.json")


class Layouts(unittest.TestCase):
    def test_they_are_the_compilers(self):
        structs = [kind for kind in vars(_abi).values()
                   if isinstance(kind, type) and issubclass(kind, _abi.C.Structure)]
        self.assertGreater(len(structs), 7)
        lines, expected = [], []
        for kind in structs:
            name = kind.__name__
            lines.append(f'printf("{name} %zu\\n", sizeof({name}));')
            expected.append(f"{name} {_abi.C.sizeof(kind)}")
            for field, _ in kind._fields_:
                lines.append(f'printf("{name}.{field} %zu %zu\\n", offsetof({name}, {field}), '
                             f"sizeof((({name} *)0)->{field}));")
                part = getattr(kind, field)
                expected.append(f"{name}.{field} {part.offset} {part.size}")
        source = os.path.join(SCRATCH, "layout.c")
        with open(source, "w", encoding="utf-8") as out:
            out.write("#include <stddef.h>\n#include <stdio.h>\n#include <underdigit/underdigit.h>\n"
                      "int main(void) {\n" + "\n".join(lines) + "\nreturn 0;\n}\n")
        env = {key: value for key, value in os.environ.items() if key != "LD_PRELOAD"}
        subprocess.run([*COMPILER, "-I" + SOURCE + "/include", source, "-o", SCRATCH + "/layout"],
                       check=True, env=env)
        told = subprocess.run([SCRATCH + "/layout"], check=True, capture_output=True, text=True,
                              env=env).stdout.split("\n")
        self.assertEqual(told[:-1], expected)

    def test_every_public_function_is_declared(self):
        with open(SOURCE + "/docs/abi.txt", encoding="utf-8") as text:
            listed = {line.strip() for line in text if not line.startswith("#")}
        self.assertEqual(set(_abi.FUNCTIONS), listed)

    def test_enums_are_the_headers(self):
        self.assertEqual(ud.Status.ERROR_INTERNAL, -10)
        self.assertEqual(ud.Verdict.STRAY, 6)
        self.assertEqual(_abi.UDG_REASON_BYTES, 200)


class Fields(unittest.TestCase):
    """Every field of the C structs comes out, each in its own place."""

    COUNTS = {"reason_count", "limit_count", "other_count", "place_count", "marker_count",
              "die_count", "stage_count", "strike_count", "applies"}
    ENUMS = {"verdict", "kind", "state", "answer", "fate", "trust"}

    def setUp(self):
        self.number = 0

    def fill(self, struct):
        """Another value in each field; one entry in each list, in_view and judged set."""
        for name, kind in struct._fields_:
            self.number += 1
            old = getattr(struct, name)
            if isinstance(old, _abi.C.Structure):
                self.fill(old)
            elif isinstance(old, _abi.C.Array):
                self.fill_array(old)
            elif isinstance(old, bytes) and kind is not _abi.C.c_char:
                setattr(struct, name, b"text %d" % self.number)
            elif name in self.COUNTS | self.ENUMS | {"judged", "in_view"}:
                setattr(struct, name, 1)
            elif kind is _abi.C.c_char:
                setattr(struct, name, b"%d" % (self.number % 10))
            elif kind is _abi.C.c_char_p:
                setattr(struct, name, b"stage")
            else:
                setattr(struct, name, self.number)
        return struct

    def fill_array(self, array):
        for i, old in enumerate(array):
            self.number += 1
            if isinstance(old, _abi.C.Structure):
                self.fill(old)
            elif isinstance(old, _abi.C.Array) and hasattr(old, "value"):
                old.value = b"text %d" % self.number
            elif isinstance(old, _abi.C.Array):
                self.fill_array(old)
            elif isinstance(old, (int, float)):
                array[i] = self.number
            elif old is None:
                array[i] = b"stage"

    def compare(self, struct, made, skipped=()):
        names = {name for name, _ in struct._fields_} - self.COUNTS - set(skipped)
        self.assertEqual(names, set(made.__dataclass_fields__) - {"stage_ms"})
        for name in names:
            raw, seen = getattr(struct, name), getattr(made, name)
            if isinstance(raw, _abi.C.Structure):
                self.compare(raw, seen)
            elif isinstance(raw, bytes):
                self.assertEqual(seen, raw.decode(), name)
            elif isinstance(raw, _abi.C.Array) and isinstance(raw[0], _abi.C.Structure):
                self.assertEqual(len(seen), 1, name)
                self.compare(raw[0], seen[0])
            elif isinstance(raw, _abi.C.Array) and hasattr(raw[0], "value"):
                self.assertEqual(seen, (raw[0].value.decode(),), name)
            else:
                self.assertEqual(np.ravel(seen).tolist(),
                                 np.ravel(np.array(raw)).tolist()[:np.size(seen)], name)
                self.assertGreater(np.size(seen), 0, name)

    def test_of_a_result(self):
        raw = self.fill(_abi.udg_result())
        made = ud.Result._of(raw)
        self.compare(raw, made, ["stage_name", "stage_ms"])
        self.assertEqual(made.stage_ms, {"stage": raw.stage_ms[0]})
        self.assertEqual(made.registration_covariance.shape, (4, 4))
        self.assertEqual(made.place_offset_mm.shape, (1, 2))
        raw.finding.place = raw.hub.applies = 0
        self.assertIsNone(ud.Result._of(raw).finding)
        self.assertIsNone(ud.Result._of(raw).hub)

    def test_of_what_was_learned(self):
        self.compare(raw := self.fill(_abi.udg_learn_report()), ud.Learned._of(raw))
        self.compare(raw := self.fill(_abi.udg_learn_photo()), ud.LearnedPhoto._of(raw))

    def test_of_a_place(self):
        self.compare(raw := self.fill(_abi.udg_place_view()), ud.Place._of(raw))


class Objects(unittest.TestCase):
    def test_a_finding_comes_out(self):
        with load() as reference, ud.Inspector(reference, **SETTINGS) as inspector:
            self.assertEqual(reference.name, "Quillmarsh ladder token")
            self.assertEqual(reference.dates, ("17",))
            result = inspector.inspect(plane("trace"))
            self.assertIs(result.verdict, ud.Verdict.UNDERDIGIT)
            self.assertTrue(result.judged)
            self.assertEqual((result.date, result.finding.place, result.finding.digit),
                             ("17", 2, "0"))
            self.assertTrue(0 < result.p_value <= 1 and result.reasons)
            self.assertEqual(result.date_to_photo.shape, (3, 3))
            self.assertEqual(result.place_offset_mm.shape, (2, 2))
            self.assertIn("score", result.stage_ms)
            shapes = {kind: view.pixels.shape for kind, view in inspector.views()}
            self.assertEqual(len(shapes), 4)
            self.assertEqual(len(set(shapes.values())), 1)
            view = inspector.view(ud.ViewKind.UPRIGHT)
            self.assertEqual(view.pixels.dtype, np.float32)
            self.assertTrue(np.isfinite(view.pixels).all())

    def test_arrays_bytes_paths_and_images_are_the_same(self):
        with open(SOURCE + "/testimages/set/small-0002.jpg", "rb") as file:
            data = file.read()
        path = os.path.join(SCRATCH, "small photo.png")  # its name does not matter
        with open(path, "wb") as out:
            out.write(data)
        with ud.Image.from_bytes(data, "small") as image:
            width, height = image.size
            self.assertGreater(image.jpeg_quality, 0)
            grey = image.grey(width, height)
            part = image.grey(5, 4, (10, 20, 15, 24))
        np.testing.assert_array_equal(part, grey[20:24, 10:15])
        with load() as reference, ud.Inspector(reference, **SETTINGS) as inspector:
            answers = [inspector.inspect(photo) for photo in (data, path, grey, grey.T.copy().T)]
        for answer in answers[1:]:
            np.testing.assert_array_equal(answer.date_to_photo, answers[0].date_to_photo)
            self.assertEqual(answer.evidence, answers[0].evidence)

    def test_coins_are_numbered_and_one_speaks(self):
        one = plane("coin_struck")
        with ud.Reference.from_file(DATA + "/data/coin.json") as reference, \
                ud.Inspector(reference, digit_height_max_px=30) as inspector:
            self.assertEqual((reference.diameter_mm, reference.date_origin_mm), (9.0, (0.0, 2.6)))
            alone = inspector.inspect(one)
            self.assertEqual((alone.coin_index, alone.coin_count), (1, 1))
            self.assertAlmostEqual(alone.coin_diameter_mm, 9.0, delta=0.5)  # its rim begins at 8.5
            self.assertEqual((alone.finding.place, alone.finding.digit), (2, "0"))
            height, width = one.shape
            both = inspector.inspect_coins(np.hstack([one, one]))
            self.assertEqual([coin.coin_index for coin in both.coins], [1, 2])
            for k, coin in enumerate(both.coins):
                self.assertEqual(coin.coin_count, 2)
                np.testing.assert_allclose(coin.coin_centre_px,
                                           np.add(alone.coin_centre_px, (k * width, 0)), atol=1.0)
                np.testing.assert_allclose(coin.coin_diameter_px, alone.coin_diameter_px, atol=2.0)
            self.assertIn(both.speaker, both.coins)
            self.assertTrue(min(coin.p_value for coin in both.coins) <= both.p_value <= 1)
            second = inspector.inspect(np.hstack([one, one]), coin=2)
            self.assertEqual(second.coin_centre_px, both.coins[1].coin_centre_px)
            with self.assertRaises(ValueError):
                inspector.inspect(one, coin=2)

    def test_markers_and_hub_of_a_known_die(self):
        with ud.Reference.from_file(DATA + "/data/known.json") as reference, \
                ud.Inspector(reference, digit_height_max_px=30) as inspector:
            result = inspector.inspect(plane("coin_die"))
            told = {marker.id: marker.answer for marker in result.markers}
            self.assertEqual(told["cut"], ud.MarkerAnswer.PRESENT)
            self.assertEqual(told["spot"], ud.MarkerAnswer.PRESENT)
            self.assertEqual(told["dash"], ud.MarkerAnswer.ABSENT)
            self.assertEqual([die.id for die in result.dies], ["17-over-0"])
            self.assertEqual(result.dies[0].present, sum(
                answer == ud.MarkerAnswer.PRESENT for answer in told.values()))
            self.assertLess(result.hub.log_ratio, 0)  # the hub was set once
            self.assertEqual(result.coin_to_photo.shape, (3, 3))
            self.assertEqual(result.strikes[0].region, "date")
            self.assertIn(result.strikes[0].answer, list(ud.StrikeAnswer))

    def test_photos_of_one_coin_are_joined(self):
        with load() as reference, ud.Inspector(reference, **SETTINGS) as inspector:
            told = inspector.inspect_same_coin([plane("trace"), plane("trace")])
            alone = inspector.inspect(plane("trace"))
            self.assertEqual([one.evidence for one in told.each], [alone.evidence] * 2)
            self.assertEqual((told.joint.finding.place, told.joint.finding.digit), (2, "0"))
            with self.assertRaises(ValueError):
                inspector.inspect_same_coin([])

    def test_a_reference_tells_places(self):
        with load() as reference:
            first, second = reference.places("17")
            self.assertEqual((first.digit, first.centre_mm), ("1", (-0.5, -0.8)))
            self.assertEqual((second.digit, second.turn_deg, second.height_mm), ("7", 0.0, 1.6))
            with self.assertRaises(ud.UnderdigitError) as caught:
                reference.places("71")
            self.assertEqual(caught.exception.status, ud.Status.ERROR_DATE)

    def test_learning_wants_enough_photos(self):
        with load() as reference, ud.Learner(reference, "17", **SETTINGS) as learner:
            learner.add(plane("plain"), "one")
            learner.add(np.full((50, 80), 128, np.uint8))
            with self.assertRaises(ud.UnderdigitError) as caught:
                learner.finish()
            self.assertEqual(caught.exception.status, ud.Status.ERROR_PHOTOS)
            self.assertEqual([photo.name for photo in learner.photos], ["one", "photo 2"])
            self.assertIs(learner.photos[1].fate, ud.LearnFate.NO_DATE)
            self.assertTrue(learner.photos[1].why)
            with self.assertRaises(ValueError):
                learner.write(os.path.join(SCRATCH, "nothing.json"))

    def test_outlines_want_photos_that_show_something(self):
        with self.assertRaises(ValueError):
            ud.Outliner("17", (1, 1, 0, 0))
        with ud.Outliner("17", (40, 90, 40, 30), diameter_mm=9) as outliner:
            with self.assertRaises(ValueError) as beyond:
                outliner.add(np.full((50, 80), 128, np.uint8), "flat.png")
            self.assertIn("beyond the first photo", str(beyond.exception))
            self.assertEqual(outliner.photos, ())
        with ud.Outliner("17", (20, 10, 30, 20), diameter_mm=9) as outliner:
            with self.assertRaises(ud.UnderdigitError) as caught:
                outliner.add(np.full((50, 80), 128, np.uint8), "flat.png")
                outliner.finish()
            self.assertEqual(caught.exception.status, ud.Status.ERROR_PHOTOS)

    def test_outlines_are_closed_polylines(self):
        with load() as reference:
            outline = reference.outline("0")
            self.assertEqual(len(outline), 2)
            points = np.concatenate(outline)
            np.testing.assert_allclose(points.min(axis=0), [-0.4, -0.8])
            np.testing.assert_allclose(points.max(axis=0), [0.4, 0.8])
            with self.assertRaises(ValueError):
                reference.outline("5")

    def test_faults_tell_status_and_place(self):
        with self.assertRaises(ud.UnderdigitError) as caught:
            ud.Image.from_bytes(b"no photo at all", "coin.jpg")
        self.assertEqual(caught.exception.status, ud.Status.ERROR_FORMAT)
        self.assertIn("coin.jpg: byte 0", str(caught.exception))
        with self.assertRaises(ud.UnderdigitError) as caught:
            ud.Reference.from_bytes(b'{"format": 3}', "a.json")
        self.assertEqual(caught.exception.status, ud.Status.ERROR_REFERENCE)
        with self.assertRaises(ud.UnderdigitError) as caught:
            ud.Reference.from_file("/no/such/file.json")
        self.assertEqual(caught.exception.status, ud.Status.ERROR_IO)
        with self.assertRaises(ValueError):
            ud.Image.from_array(np.zeros((4, 4)))
        with self.assertRaises(ValueError):
            ud.Image.from_array(np.zeros((4, 4, 3), dtype=np.uint8))
        with load() as reference:
            with self.assertRaises(TypeError):
                ud.Inspector(reference, max_seconds=3)
            with ud.Inspector(reference, **SETTINGS) as inspector:
                with self.assertRaises(ud.UnderdigitError) as caught:
                    inspector.inspect(plane("plain"), date="99")
                self.assertEqual(caught.exception.status, ud.Status.ERROR_DATE)
                with self.assertRaises(ValueError):
                    inspector.view(ud.ViewKind.MODEL)
            with self.assertRaises(ValueError):
                inspector.inspect(plane("plain"))

    def test_limits_and_cancel(self):
        with load() as reference:
            with ud.Inspector(reference, max_work_bytes=200000, **SETTINGS) as inspector:
                result = inspector.inspect(plane("trace"))
                self.assertIs(result.verdict, ud.Verdict.UNDECIDED)
                self.assertFalse(result.judged)
                self.assertIsNone(result.finding)
                self.assertIn("max_work_bytes", result.reasons[0])
            asked = []
            with ud.Inspector(reference, cancel=lambda: len(asked) > 5 or asked.append(1),
                              **SETTINGS) as inspector:
                with self.assertRaises(ud.UnderdigitError) as caught:
                    inspector.inspect(plane("trace"))
                self.assertEqual(caught.exception.status, ud.Status.ERROR_CANCELLED)
                self.assertEqual(len(asked), 6)

    def test_threads_share_a_reference(self):
        answers = []
        with load() as reference:
            def work():
                with ud.Inspector(reference, **SETTINGS) as inspector:
                    answers.append(inspector.inspect(plane("trace")).evidence)

            threads = [threading.Thread(target=work) for _ in range(2)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
        self.assertEqual(len(answers), 2)
        self.assertEqual(answers[0], answers[1])


class Programs(unittest.TestCase):
    def test_the_example_makes_a_table(self):
        folder = os.path.join(SCRATCH, "photos")
        os.mkdir(folder)
        shutil.copy(SOURCE + "/testimages/set/small-0002.jpg", folder)
        with open(SOURCE + "/testimages/set/small-0002.json", encoding="utf-8") as text:
            truth = json.load(text)
        with open(folder + "/broken.png", "wb") as out:
            out.write(b"\x89PNG\r\n\x1a\n")
        with open(folder + "/notes.txt", "w", encoding="utf-8") as out:
            out.write("no photo")
        references = SOURCE + "/testimages/references/"
        named = {}
        for name in os.listdir(references):
            with open(references + name, encoding="utf-8") as text:
                named[json.load(text)["name"]] = references + name
        reference = named[truth["type"]["name"]]
        made = subprocess.run([sys.executable, SOURCE + "/docs/examples/screen_folder.py", reference,
                               folder], check=True, capture_output=True, text=True,
                              env=dict(os.environ, PYTHONPATH=SCRATCH)).stdout
        rows = list(csv.DictReader(io.StringIO(made)))
        self.assertEqual([row["photo"] for row in rows], ["small-0002.jpg", "broken.png"])
        self.assertEqual(rows[0]["date"], truth["type"]["date"])
        self.assertEqual(rows[1]["verdict"], "error")
        self.assertIn("broken.png: byte 8", rows[1]["why"])

    def test_a_wheel_can_be_built_and_used(self):
        try:
            import setuptools  # noqa: F401
            import wheel  # noqa: F401
        except ImportError:
            self.skipTest("no setuptools or no wheel")
        copy = os.path.join(SCRATCH, "copy")
        os.makedirs(copy + "/tools")
        ignored = shutil.ignore_patterns("_abi.py", "__pycache__", "build", "*.egg-info")
        shutil.copytree(SOURCE + "/tools/python", copy + "/tools/python", ignore=ignored)
        shutil.copytree(SOURCE + "/include", copy + "/include")
        env = {key: value for key, value in os.environ.items() if key != "LD_PRELOAD"}
        # The hooks that pip and build call (PEP 517): a source package, a wheel from that alone.
        script = ("import sys; from setuptools import build_meta as b; "
                  "print(getattr(b, sys.argv[1])(sys.argv[2]))")

        def build(what, where):
            told = subprocess.run([sys.executable, "-c", script, what, SCRATCH], cwd=where, env=env,
                                  check=True, capture_output=True, text=True).stdout
            return os.path.join(SCRATCH, told.strip().split("\n")[-1])

        packed = build("build_sdist", copy + "/tools/python")
        shutil.unpack_archive(packed, SCRATCH + "/unpacked")
        inner = os.path.join(SCRATCH, "unpacked", os.listdir(SCRATCH + "/unpacked")[0])
        with zipfile.ZipFile(build("build_wheel", inner)) as wheel_file:
            names = wheel_file.namelist()
            wheel_file.extractall(SCRATCH + "/installed")
        self.assertIn("underdigit/_abi.py", names)
        self.assertIn("underdigit/py.typed", names)
        told = subprocess.run([sys.executable, "-c",
                               "import underdigit as u; print(u.__file__, u.__version__)"],
                              check=True, capture_output=True, text=True, cwd=SCRATCH + "/installed",
                              env=dict(os.environ, PYTHONPATH=SCRATCH + "/installed")).stdout
        self.assertIn("/installed/underdigit/", told)
        self.assertIn(_abi.VERSION, told)


if __name__ == "__main__":
    try:
        unittest.main(argv=sys.argv[:1], verbosity=2)
    finally:
        shutil.rmtree(SCRATCH, ignore_errors=True)
