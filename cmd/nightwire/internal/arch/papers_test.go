package arch

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// guides are the pages that must stay true.
func guides() []string {
	return []string{"README.md", "DEVELOPERS.md", "deploy/docs/alarms.md", "deploy/docs/farm-file.md", "deploy/docs/how-it-decides.md", "deploy/docs/many-farms.md",
		"deploy/docs/quick-start.md", "deploy/docs/reference.md", "deploy/docs/sensors.md"}
}

// TestGuidesAreAll wants each page of the documentation among them.
func TestGuidesAreAll(t *testing.T) {
	pages, err := filepath.Glob(filepath.Join(root(t), "deploy", "docs", "*.md"))
	if err != nil || len(pages) == 0 {
		t.Fatalf("no pages: %v", err)
	}
	for _, page := range pages {
		if name := "deploy/docs/" + filepath.Base(page); !slices.Contains(guides(), name) {
			t.Errorf("%s is not held to what it says", name)
		}
	}
}

func readFile(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root(t), name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestTopLevel keeps the top of the module as short as it was laid out.
func TestTopLevel(t *testing.T) {
	entries, err := os.ReadDir(root(t))
	if err != nil {
		t.Fatal(err)
	}
	may := []string{"cmd", "ingest", "alerts", "sim", "deploy", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md", "LICENSE"}
	for _, e := range entries {
		if name := e.Name(); !slices.Contains(may, name) && !strings.HasPrefix(name, ".") && name != "nightwire" { // what go build makes
			t.Errorf("%s does not belong at the top level", name)
		}
	}
}

// namedPath finds what looks like a path from the top of the module.
var namedPath = regexp.MustCompile(`(?:^|[\s(\x60./])((?:cmd|ingest|alerts|sim|deploy|testdata|\.ci)/[\w./-]+)`)

func TestNamedPathsExist(t *testing.T) {
	for _, guide := range guides() {
		found := namedPath.FindAllStringSubmatch(readFile(t, guide), -1)
		if len(found) < 3 && !strings.HasPrefix(guide, "deploy/docs/") {
			t.Errorf("%s names %d paths: is it read rightly?", guide, len(found))
		}
		for _, m := range found {
			name := strings.TrimRight(m[1], "./")
			if name == "cmd/" || strings.HasPrefix(name, "cmd/...") || name == "deploy/changes/few-words.md" {
				continue // shortened in the picture; the pattern of a name
			}
			if _, err := os.Stat(filepath.Join(root(t), filepath.FromSlash(name))); err != nil {
				t.Errorf("%s names %s, which is not there", guide, name)
			}
		}
	}
}

// TestPackageTableIsWhole wants each package in the guide's table.
func TestPackageTableIsWhole(t *testing.T) {
	guide := readFile(t, "DEVELOPERS.md")
	_, table, _ := strings.Cut(guide, "## The packages")
	table, _, _ = strings.Cut(table, "\n## ")
	for _, p := range list(t) {
		if !strings.Contains(table, "`"+p.ImportPath+"`") {
			t.Errorf("the table of packages has no %s", p.ImportPath)
		}
	}
}

// TestRecipesAreShort wants at most six steps for what is done often.
func TestRecipesAreShort(t *testing.T) {
	recipes := 0
	for _, part := range strings.Split(readFile(t, "DEVELOPERS.md"), "\n## ") {
		if !strings.HasPrefix(part, "Recipe: ") {
			continue
		}
		recipes++
		title, _, _ := strings.Cut(part, "\n")
		if strings.Contains(part, "\n7. ") {
			t.Errorf("%s has more than six steps", title)
		}
	}
	if recipes != 3 {
		t.Errorf("%d recipes, want 3", recipes)
	}
}

var update = flag.Bool("update", false, "write the figures of the scored seasons into DEVELOPERS.md")

// scoreTable finds where the guide has them.
var scoreTable = regexp.MustCompile(`(?s)<!-- score -->\n(.*?)<!-- end -->`)

// TestScoreInGuide wants the guide to have the figures that the detectors are held to.
func TestScoreInGuide(t *testing.T) {
	want := "\n| figure | at most |\n|---|---|\n"
	for line := range strings.Lines(readFile(t, filepath.Join("alerts", "detect", "testdata", "score.txt"))) {
		if words := strings.Fields(line); len(words) == 2 {
			want += fmt.Sprintf("| %s | %s |\n", strings.ReplaceAll(words[0], "_", " "), words[1])
		}
	}
	want += "\n"
	guide := readFile(t, "DEVELOPERS.md")
	if *update {
		guide = scoreTable.ReplaceAllLiteralString(guide, "<!-- score -->\n"+want+"<!-- end -->")
		if err := os.WriteFile(filepath.Join(root(t), "DEVELOPERS.md"), []byte(guide), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if got := scoreTable.FindStringSubmatch(guide); got == nil || got[1] != want {
		t.Errorf("DEVELOPERS.md has other figures than the detectors' score.txt; go test ./cmd/nightwire/internal/arch -update mends it")
	}
}

// fence finds the blocks of code in a page, with their language.
var fence = regexp.MustCompile("(?s)```(\\w*)\n(.*?)```")

// blocks returns the blocks of code of one language in a page.
func blocks(page, language string) (out []string) {
	for _, m := range fence.FindAllStringSubmatch(page, -1) {
		if m[1] == language {
			out = append(out, m[2])
		}
	}
	return out
}

// span finds commands in running text.
var span = regexp.MustCompile("`(nightwire [^`]+)`")

// commands returns what the page tells a reader to type at nightwire, each as words.
func commands(page string) (out [][]string) {
	var lines []string
	for _, block := range append(blocks(page, "sh"), blocks(page, "console")...) {
		lines = append(lines, strings.Split(block, "\n")...)
	}
	for _, m := range span.FindAllStringSubmatch(page, -1) {
		lines = append(lines, strings.ReplaceAll(m[1], "\n", " "))
	}
	for _, line := range lines {
		line, _, _ = strings.Cut(line, "#")
		line, _, _ = strings.Cut(line, ">")
		line = strings.TrimRight(strings.Replace(line, "go run ./cmd/nightwire", "nightwire", 1), "& ")
		if words := strings.Fields(line); len(words) > 1 && words[0] == "nightwire" {
			out = append(out, words[1:])
		}
	}
	return out
}

// build makes the binary and returns its path.
func build(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "nightwire")
	cmd := exec.CommandContext(t.Context(), "go", "build", "-o", path, "./cmd/nightwire")
	cmd.Dir = root(t)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return path
}

// TestCommands does with the binary what the guides say.
func TestCommands(t *testing.T) {
	bin := build(t)
	t.Run("help", func(t *testing.T) { namedCommands(t, bin) })
	t.Run("first farm file", func(t *testing.T) { firstFarmFile(t, bin) })
}

// namedCommands asks for help on each command that a guide names, and wants each flag in it.
func namedCommands(t *testing.T, bin string) {
	for _, guide := range guides() {
		all := commands(readFile(t, guide))
		if guide == "README.md" && len(all) < 8 {
			t.Errorf("%s names %d commands: is it read rightly?", guide, len(all))
		}
		for _, words := range all {
			if complaint := unknown(t, bin, words); complaint != "" {
				t.Errorf("%s says nightwire %s: %s", guide, strings.Join(words, " "), complaint)
			}
		}
	}
}

// unknown says what a command line has that the binary does not know.
func unknown(t *testing.T, bin string, words []string) string {
	t.Helper()
	help := helpOf(t, bin, words[0])
	name := words[0]
	if strings.Contains(help, "Available Commands:") && len(words) > 1 {
		name += " " + words[1]
		help = helpOf(t, bin, words[0], words[1])
	}
	if !regexp.MustCompile(`(?m)^  nightwire ` + name + `( |$)`).MatchString(help) {
		return "there is no such command"
	}
	for _, w := range words {
		flag, _, _ := strings.Cut(w, "=")
		if strings.HasPrefix(flag, "-") && !regexp.MustCompile(`(?m)^ +(-\w, )?`+flag+`[ ,]`).MatchString(help) {
			return "there is no " + flag
		}
	}
	return ""
}

func helpOf(t *testing.T, bin string, words ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), bin, append(words, "--help")...).CombinedOutput()
	if err != nil {
		t.Fatalf("help of %v: %v\n%s", words, err, out)
	}
	return string(out)
}

// firstFarmFile takes the farm file off the first page and checks it.
func firstFarmFile(t *testing.T, bin string) {
	files := blocks(readFile(t, "README.md"), "yaml")
	if len(files) != 1 {
		t.Fatalf("%d farm files on the first page, want 1", len(files))
	}
	if n := strings.Count(files[0], "\n"); n != 5 {
		t.Errorf("the farm file has %d lines, and five are promised", n)
	}
	path := filepath.Join(t.TempDir(), "farm.yaml")
	if err := os.WriteFile(path, []byte(files[0]), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), bin, "check", path).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "no mistakes") {
		t.Errorf("check: %v\n%s", err, out)
	}
}

// noteLine is the first line of a change note.
var noteLine = regexp.MustCompile(`^(new|changed|mended|removed): [A-Za-z].*[.]$`)

func TestChangeNotes(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(root(t), "deploy", "changes", "*"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no change notes: %v", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimRight(string(text), "\n"), "\n")
		switch name := filepath.Base(file); {
		case !regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*\.md$`).MatchString(name):
			t.Errorf("%s is not called few-words.md", name)
		case len(lines[0]) > 120 || !noteLine.MatchString(lines[0]):
			t.Errorf("%s begins %q, want a kind and one sentence of at most 120 characters", name, lines[0])
		case len(lines) > 1 && lines[1] != "" || len(lines) > 8:
			t.Errorf("%s has more than a sentence, a blank line and a few lines", name)
		}
	}
}
