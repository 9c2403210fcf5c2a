#!/usr/bin/env bash
# Builds the Debian packages: deploy/deb/build.sh FOLDER [amd64|arm64|armhf …]. The same source gives the same packages.
# It needs go, git, gzip and nfpm (go install github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.43.4).
set -euo pipefail

[ $# -gt 0 ] || { echo "usage: deploy/deb/build.sh FOLDER [amd64|arm64|armhf ...]" >&2; exit 2; }
out=$(realpath "$1")
shift
[ $# -gt 0 ] || set -- amd64 arm64 armhf
cd "$(dirname "$0")/../.."
mkdir -p "$out"

# The time of the source is the time of everything in the package (reproducible-builds.org, SOURCE_DATE_EPOCH).
export SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct)}
# Until there is a release, a version sorts by the time of its source.
export VERSION=${VERSION:-0.0~$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y%m%d.%H%M%S)}
export CGO_ENABLED=0
BUILD=$(mktemp -d)
trap 'rm -rf "$BUILD"' EXIT

# program builds for one of Debian's architectures into a file.
program() {
	local arch=$1 arm=
	[ "$1" != armhf ] || arch=arm arm=6
	GOOS=linux GOARCH=$arch GOARM=$arm go build -trimpath -ldflags "-s -w" -o "$2" ./cmd/nightwire
}

program "$(dpkg --print-architecture)" "$BUILD/here"
"$BUILD/here" manual | gzip -9n >"$BUILD/nightwire.1.gz"
for shell in bash zsh fish; do
	"$BUILD/here" completion $shell >"$BUILD/completion.$shell"
done
cp deploy/nightwire.service deploy/farm.schema.json deploy/examples/alder-bank.yaml deploy/deb/* "$BUILD"
{
	echo "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/"
	echo "Upstream-Name: nightwire"
	echo
	echo "Files: *"
	sed -n 's/^Copyright (c) /Copyright: /p' LICENSE
	echo "License: Expat"
	sed '1,/^Copyright/d; s/^$/./; s/^/ /' LICENSE | sed '1{/^ \.$/d}'
} >"$BUILD/copyright"
{
	printf 'nightwire (%s) unstable; urgency=medium\n\n' "$VERSION"
	cat deploy/changes/*.md | sed -n 's/^\(new\|changed\|mended\|removed\): /  * \1: /p' | sort | fold -s -w 72 | sed 's/^\([^ ]\)/    \1/; s/ *$//'
	printf '\n -- The Nightwire authors <authors@nightwire.example>  %s\n' "$(LC_ALL=C date -u -R -d "@$SOURCE_DATE_EPOCH")"
} | gzip -9n >"$BUILD/changelog.gz"

for arch in "$@"; do
	export ARCH=$arch
	program "$arch" "$BUILD/nightwire"
	(cd "$BUILD" && nfpm package --config nfpm.yaml --packager deb --target "$out/nightwire_${VERSION}_$arch.deb")
done
