"""The build: setuptools with what pyproject.toml cannot say, loops to compile and files beside the package.

Without a compiler the same loops run in numpy: the extension is optional.
"""

import functools
import shutil
from pathlib import Path

import setuptools
from setuptools.build_meta import *  # noqa: F403 - the hooks that pip calls
from setuptools.command.build_ext import build_ext
from setuptools.command.build_py import build_py

# what `evenbeat notebooks`, `evenbeat demo` and evenbeat.demo_data need where there is no checkout
SHIPPED = {"notebooks": ["*.ipynb"], "data": ["*.csv", "*.csv.gz", "README.md", "truth.json"]}


class BuildExtension(build_ext):
    """Compile without contracting a * b + c, which would round otherwise than is said."""

    def build_extensions(self) -> None:
        """Compile with these options where the compiler has them."""
        if self.compiler.compiler_type != "msvc":
            for extension in self.extensions:
                extension.extra_compile_args = ["-O3", "-ffp-contract=off"]
        super().build_extensions()


class BuildPackage(build_py):
    """Put the notebooks and the invented logs into the package."""

    def run(self) -> None:
        """Copy the package, then the files from beside it."""
        if self.editable_mode:  # they are found in the checkout
            super().run()
            return
        # what an earlier build left would be installed again, files that are no more among it
        shutil.rmtree(Path(self.build_lib, "evenbeat"), ignore_errors=True)
        super().run()
        for folder, forms in SHIPPED.items():
            target = Path(self.build_lib, "evenbeat", "shipped", folder)
            target.mkdir(parents=True, exist_ok=True)
            for form in forms:
                for path in Path(folder).glob(form):
                    shutil.copy(path, target)


# where there is no setup.py, the hooks call setuptools.setup() with what pyproject.toml says
setuptools.setup = functools.partial(
    setuptools.setup,
    cmdclass={"build_ext": BuildExtension, "build_py": BuildPackage},
    ext_modules=[
        setuptools.Extension(
            "evenbeat.deviations.sums._compiled",
            ["src/evenbeat/deviations/sums/_compiled.c"],
            optional=True,
        )
    ],
    options={"sdist": {"template": ".build/MANIFEST.in"}},
)
