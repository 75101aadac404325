"""An S3-compatible server on loopback (moto) with one bucket, filled from a directory.

Prints its address once it is ready and serves until its standard input ends.
"""

import os
import sys
from pathlib import Path

import boto3
from moto.server import ThreadedMotoServer

bucket, prefix, directory = sys.argv[1], sys.argv[2], Path(sys.argv[3])
os.environ.update(AWS_ACCESS_KEY_ID="test", AWS_SECRET_ACCESS_KEY="test", AWS_DEFAULT_REGION="us-east-1")
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
host, port = server.get_host_and_port()
client = boto3.client("s3", endpoint_url=f"http://{host}:{port}")
client.create_bucket(Bucket=bucket)
for path in sorted(p for p in directory.rglob("*") if p.is_file()):
    client.upload_file(str(path), bucket, f"{prefix}/{path.relative_to(directory).as_posix()}")
print(f"http://{host}:{port}", flush=True)
sys.stdin.read()
server.stop()
