#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Installs a build into a scratch folder and uses it from there as a stranger would:
pkg-config, the program of docs/embedding.md in C and C++, CMake, shell completion, man pages.

install.py BUILD SOURCE SANITIZE COMPILER...
"""
import glob
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile

BUILD, SOURCE, SANITIZE, COMPILER = sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:]
FLAGS = [] if SANITIZE == "none" else ["-fsanitize=" + SANITIZE]
PICTURE = "strong-0006"


def run(*command, **more):
    more.setdefault("check", True)
    return subprocess.run(command, capture_output=True, text=True, **more)


def block(language):
    """The first block of that language in docs/embedding.md."""
    with open(os.path.join(SOURCE, "docs/embedding.md"), encoding="utf-8") as text:
        return re.search(rf"^```{language}\n(.*?)^```$", text.read(), re.M | re.S).group(1)


def check(what, good):
    print(("good: " if good else "WRONG: ") + what, flush=True)
    if not good:
        sys.exit(1)


class Installed:
    def __init__(self, scratch):
        env = dict(os.environ, DESTDIR=scratch)
        run("meson", "install", "-C", BUILD, "--no-rebuild", "--quiet", env=env)
        pc = glob.glob(scratch + "/**/underdigit.pc", recursive=True)
        check("one underdigit.pc is installed", len(pc) == 1)
        with open(pc[0], encoding="utf-8") as text:
            prefix = re.search(r"^prefix=(.*)$", text.read(), re.M).group(1)
        self.pc_folder = os.path.dirname(pc[0])
        self.prefix = scratch + prefix
        self.library_folder = os.path.dirname(self.pc_folder)

    def find(self, pattern):
        return glob.glob(os.path.join(self.prefix, pattern), recursive=True)

    def pkg_config(self, *options):
        env = dict(os.environ, PKG_CONFIG_PATH=self.pc_folder)
        return run("pkg-config", "--define-variable=prefix=" + self.prefix, *options, "underdigit",
                   env=env).stdout.split()


def check_files(there):
    for pattern in ("**/libunderdigit.so", "**/libunderdigit.so.0", "**/libunderdigit.a",
                    "bin/underdigit", "**/man1/underdigit.1", "**/man3/libunderdigit.3",
                    "**/bash-completion/completions/underdigit"):
        check(pattern, len(there.find(pattern)) == 1)
    ours = sorted(os.listdir(os.path.join(SOURCE, "include/underdigit")))
    check("every public header and no other", ours == sorted(
        os.path.basename(path) for path in there.find("include/underdigit/*")))
    dynamic = run("readelf", "-d", there.library_folder + "/libunderdigit.so").stdout
    check("soname", "soname: [libunderdigit.so.0]" in dynamic)
    with open(os.path.join(SOURCE, "include/underdigit/version.h"), encoding="utf-8") as text:
        version = re.search(r'UDG_VERSION "(.*)"', text.read()).group(1)
    check("version of the .pc", there.pkg_config("--modversion") == [version])


def environment(there):
    return dict(os.environ, LD_LIBRARY_PATH=there.library_folder,
                ASAN_OPTIONS=os.environ.get("ASAN_OPTIONS", "") + ":detect_leaks=1")


def truth_of_picture():
    folder = os.path.join(SOURCE, "testimages")
    with open(f"{folder}/set/{PICTURE}.json", encoding="utf-8") as text:
        truth = json.load(text)
    return truth, next(path for path in glob.glob(folder + "/references/*.json")
                       if json.load(open(path, encoding="utf-8"))["name"] == truth["type"]["name"])


def check_program(there, program, what):
    """Runs it on a committed picture and compares with that picture's truth."""
    folder = os.path.join(SOURCE, "testimages")
    truth, reference = truth_of_picture()
    with open(f"{folder}/set/{PICTURE}.jpg", "rb") as photo:
        answer = run(program, reference, stdin=photo, env=environment(there)).stdout
    under = truth["under"]
    check(what, answer == f"{truth['type']['date']} underdigit\n"
                          f"{under['digit']} at place {under['pos'] + 1}\n")
    with open(__file__, "rb") as none:
        bad = run(program, reference, stdin=none, env=environment(there), check=False)
    check(what + ": no photo", bad.returncode == 1 and "neither a JPEG nor a PNG" in bad.stderr)


def compile_program(there, scratch, compiler, source, name, libraries):
    program = os.path.join(scratch, name)
    run(*compiler, *FLAGS, "-Wall", "-Wextra", "-Werror", source, *there.pkg_config("--cflags"),
        *libraries, "-o", program)
    return program


def check_compilers(there, scratch):
    text = block("c")
    check("under forty lines", text.count("\n") < 40)
    source = os.path.join(scratch, "program.c")
    with open(source, "w", encoding="utf-8") as out:
        out.write(text)
    shared = there.pkg_config("--libs")
    check_program(there, compile_program(there, scratch, COMPILER + ["-std=c11"], source, "shared",
                                         shared), "C, shared library")
    static = ["-L" + there.library_folder, "-Wl,-Bstatic", "-lunderdigit", "-Wl,-Bdynamic"]
    rest = [flag for flag in there.pkg_config("--static", "--libs") if flag != "-lunderdigit"]
    check_program(there, compile_program(there, scratch, COMPILER, source, "static",
                                         static + rest), "C, static library")
    needed = run("readelf", "-d", os.path.join(scratch, "static")).stdout
    check("the static program needs no libunderdigit.so", "libunderdigit" not in needed)
    headers = run(os.path.join(SOURCE, "tests/headers.sh"),
                  os.path.join(there.prefix, "include"), *COMPILER, check=False)
    check("installed headers alone, C11 and C++17", headers.returncode == 0)


def check_cmake(there, scratch):
    if not shutil.which("cmake"):
        print("no cmake: not tried")
        return
    folder = os.path.join(scratch, "cmake")
    os.mkdir(folder)
    shutil.copy(os.path.join(scratch, "program.c"), folder)
    with open(folder + "/CMakeLists.txt", "w", encoding="utf-8") as out:
        out.write(block("cmake"))
    # A copy of the .pc that names the scratch prefix, as cmake cannot be told a variable.
    with open(there.pc_folder + "/underdigit.pc", encoding="utf-8") as text:
        moved = re.sub(r"^prefix=.*$", "prefix=" + there.prefix, text.read(), flags=re.M)
    with open(folder + "/underdigit.pc", "w", encoding="utf-8") as out:
        out.write(moved)
    env = dict(os.environ, PKG_CONFIG_PATH=folder, CC=COMPILER[-1], CFLAGS=" ".join(FLAGS),
               LDFLAGS=" ".join(FLAGS))
    made = run("cmake", "-S", folder, "-B", folder + "/build", env=env, check=False)
    check("cmake configures", made.returncode == 0)
    run("cmake", "--build", folder + "/build")
    check_program(there, folder + "/build/program", "CMake")


def check_subproject(scratch):
    """Configuring is enough: what it builds is what this build has built."""
    outer = os.path.join(scratch, "outer")
    os.makedirs(outer + "/subprojects")
    os.symlink(os.path.abspath(SOURCE), outer + "/subprojects/underdigit")
    shutil.copy(os.path.join(scratch, "program.c"), outer)
    with open(outer + "/meson.build", "w", encoding="utf-8") as out:
        out.write("project('outer', 'c')\n"
                  "executable('program', 'program.c',\n"
                  "  dependencies: dependency('underdigit', fallback: 'underdigit'))\n")
    made = run("meson", "setup", "--wrap-mode=forcefallback", outer + "/build", outer,
               env=dict(os.environ, CC=" ".join(COMPILER)), check=False)
    if made.returncode:
        print(made.stdout[-2000:])
    check("meson subproject by dependency('underdigit')", made.returncode == 0)


def check_completion(there):
    """Each command, and each option that a command's help names."""
    if not shutil.which("bash"):
        print("no bash: not tried")
        return
    script = there.find("**/bash-completion/completions/underdigit")[0]
    program = there.find("bin/underdigit")[0]

    def complete(*words):
        line = " ".join(f"'{word}'" for word in (program, *words))
        text = (f"source '{script}'; COMP_WORDS=({line}); COMP_CWORD={len(words)}; _underdigit; "
                'printf "%s\\n" "${COMPREPLY[@]}"')
        return run("bash", "-c", text, env=environment(there)).stdout.split()

    commands = complete("")
    check("completion of commands", {"inspect", "screen", "page", "help", "--version"} <= set(commands))
    check("completion of a beginning", complete("in") == ["inspect"])
    for command in [word for word in commands if not word.startswith("-") and word != "help"]:
        told = run(program, "help", command, env=environment(there)).stdout
        options = complete(command, "--")
        check("completion of " + command, options
              and set(options) == set(re.findall(r"--[a-z][a-z-]*", told)))
    check("photos are files", os.path.join(SOURCE, "README.md") in
          complete("inspect", os.path.join(SOURCE, "READM")))


def check_pictures(there, scratch):
    """Drawn by a module that the command finds where it was installed to."""
    path, photo = os.path.join(scratch, "drawn.png"), f"{SOURCE}/testimages/set/{PICTURE}.jpg"
    drawn = run(there.find("bin/underdigit")[0], "inspect", "--picture", path, "--reference",
                truth_of_picture()[1], photo, env=environment(there), check=False)
    check("a picture", drawn.returncode == 0 and os.path.getsize(path) > 1000)


def check_man_pages(there):
    for page in there.find("**/man[13]/*"):
        if shutil.which("mandoc"):
            lint = run("mandoc", "-T", "lint", "-W", "error", page, check=False)
            check(os.path.basename(page), lint.returncode == 0)
        elif shutil.which("man"):
            shown = run("man", "--warnings", "-l", page, check=False,
                        env=dict(os.environ, MANPAGER="cat"))
            check(os.path.basename(page), shown.returncode == 0 and len(shown.stdout) > 500)


def main():
    with tempfile.TemporaryDirectory() as scratch:
        there = Installed(os.path.join(scratch, "root"))
        check_files(there)
        check_compilers(there, scratch)
        check_cmake(there, scratch)
        check_subproject(scratch)
        check_completion(there)
        check_pictures(there, scratch)
        check_man_pages(there)


main()
