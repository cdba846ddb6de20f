package backup

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// abandoned is the age at which an unfinished file is taken for one that
// nobody writes any more.
const abandoned = 24 * time.Hour

// List lists the manifests of the complete backups in dir, oldest first.
func List(dir string) ([]string, error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, err // a pattern in a missing folder matches nothing, without an error
	}
	found, err := filepath.Glob(filepath.Join(dir, "pinwright-*.json"))
	if err != nil {
		return nil, err
	}
	complete := slices.DeleteFunc(found, func(path string) bool {
		_, err := time.Parse(stamp, strings.TrimSuffix(strings.TrimPrefix(filepath.Base(path), "pinwright-"), ".json"))
		return err != nil
	})
	slices.Sort(complete)
	return complete, nil
}

// Last is when the newest complete backup in dir was made; zero without one.
func Last(dir string) (time.Time, error) {
	all, err := List(dir)
	if err != nil || len(all) == 0 {
		return time.Time{}, err
	}
	return time.Parse(stamp, strings.TrimSuffix(strings.TrimPrefix(filepath.Base(all[len(all)-1]), "pinwright-"), ".json"))
}

// Keep removes all but the newest n complete backups of dir, and unfinished
// files that nobody writes any more. It returns what it removed.
func Keep(dir string, n int, now time.Time) (removed []string, err error) {
	if n < 1 {
		return nil, fmt.Errorf("cannot keep %d backups: keep one at least", n)
	}
	all, err := List(dir)
	if err != nil {
		return nil, err
	}
	for _, manifest := range all[:max(0, len(all)-n)] {
		// The manifest first: what is left of an interruption is then not taken for a backup.
		if err := errors.Join(os.Remove(manifest), os.Remove(rowsOf(manifest))); err != nil {
			return removed, err
		}
		removed = append(removed, strings.TrimSuffix(manifest, ".json"))
	}
	unfinished, err := filepath.Glob(filepath.Join(dir, "pinwright-*"+partial))
	if err != nil {
		return removed, err
	}
	for _, path := range unfinished {
		info, err := os.Stat(path)
		if err != nil || now.Sub(info.ModTime()) < abandoned {
			continue
		}
		if err := os.Remove(path); err != nil {
			return removed, err
		}
		removed = append(removed, path)
	}
	return removed, nil
}
