package rolling

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// within fails the test unless got is want to within tolerance. NaN is only ever equal to NaN.
func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(want) && math.IsNaN(got) || got == want {
		return
	}
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.10g, want %.10g ± %g", what, got, want, tolerance)
	}
}

// shown fails the test unless got is want to the last digit that want has: half a unit of it is allowed.
func shown(t *testing.T, what string, got float64, want string) {
	t.Helper()
	v, err := strconv.ParseFloat(want, 64)
	if err != nil {
		t.Fatal(err)
	}
	_, decimals, _ := strings.Cut(want, ".")
	within(t, what, got, v, 0.5000001*math.Pow(10, -float64(len(decimals))))
}

// column reads one column of a file of comma-separated values with a header line; empty cells are NaN.
func column(t testing.TB, file, name string) []float64 {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("read %s: %v", file, err)
	}
	at := -1
	for i, head := range rows[0] {
		if head == name {
			at = i
		}
	}
	if at < 0 {
		t.Fatalf("%s has no column %q", file, name)
	}
	var xs []float64
	for _, row := range rows[1:] {
		x := math.NaN()
		if row[at] != "" {
			if x, err = strconv.ParseFloat(row[at], 64); err != nil {
				t.Fatalf("read %s: %v", file, err)
			}
		}
		xs = append(xs, x)
	}
	return xs
}

// count returns 1, 2, … n.
func count(n int) []float64 {
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = float64(i + 1)
	}
	return xs
}
