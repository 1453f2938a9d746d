package pages

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
)

// A Bucket is one tree of keys and values.
type Bucket struct {
	file   *File
	root   uint64
	inline *node // the only page of a small bucket, kept inside its value
}

// errStop ends a walk early.
var errStop = errors.New("stop")

// Buckets gives the file's buckets by name. The faults are those of the pages
// that hold them.
func (f *File) Buckets() (map[string]*Bucket, []*Fault) {
	w := &walk{file: f, seen: map[uint64]bool{}}
	return w.buckets(), w.faults
}

func (w *walk) buckets() map[string]*Bucket {
	found := map[string]*Bucket{}
	w.visit = func(n *node) error {
		for i, key := range n.keys {
			if !n.buckets[i] {
				w.fault(fault(n.page, "a value where only buckets belong"))
				continue
			}
			b, err := w.file.bucket(n.values[i])
			if err != nil {
				w.fault(fault(n.page, "bucket %q: %v", key, err))
				continue
			}
			found[string(key)] = b
		}
		return nil
	}
	_ = w.tree(w.file.Root, nil, nil, 0) // visit does not stop it
	return found
}

func (f *File) bucket(value []byte) (*Bucket, error) {
	if len(value) < bucketSize {
		return nil, errors.New("its value is cut off")
	}
	if order.Uint64(value[8:]) != 0 {
		return nil, errors.New("it counts in sequence, which is never asked for")
	}
	b := &Bucket{file: f, root: order.Uint64(value)}
	if b.root != 0 {
		if len(value) != bucketSize {
			return nil, errors.New("its value is too long")
		}
		return b, nil
	}
	n, err := parseNode(value[bucketSize:], 0)
	if err != nil {
		return nil, err
	}
	if overflow := order.Uint32(value[bucketSize+12:]); !n.leaf || overflow != 0 || n.end != len(value)-bucketSize {
		return nil, errors.New("its inner page is not all of it")
	}
	b.inline = n
	return b, nil
}

// All calls visit for every key and value in order, leaving out the pages that
// are at fault, and gives those faults. What visit gets it may keep.
func (b *Bucket) All(visit func(key, value []byte)) []*Fault {
	w := &walk{file: b.file, seen: map[uint64]bool{}}
	w.visit = func(n *node) error {
		for i, key := range n.keys {
			if n.buckets[i] {
				w.fault(fault(n.page, "a bucket where only values belong"))
				continue
			}
			visit(key, n.values[i])
		}
		return nil
	}
	_ = b.walk(w) // visit does not stop it
	return w.faults
}

// Prefix calls visit for every key that starts with prefix and its value, in
// order. It reads only the pages that can hold them, and fails at the first
// fault in one.
func (b *Bucket) Prefix(prefix []byte, visit func(key, value []byte) error) error {
	w := &walk{file: b.file, seen: map[uint64]bool{}}
	w.skip = func(lo, hi []byte) bool {
		return hi != nil && bytes.Compare(hi, prefix) <= 0 ||
			lo != nil && bytes.Compare(lo, prefix) > 0 && !bytes.HasPrefix(lo, prefix)
	}
	w.visit = func(n *node) error {
		for i, key := range n.keys {
			if !bytes.HasPrefix(key, prefix) {
				continue
			}
			if n.buckets[i] {
				return fault(n.page, "a bucket where only values belong")
			}
			if err := visit(key, n.values[i]); err != nil {
				return err
			}
		}
		return nil
	}
	if err := b.walk(w); err != nil {
		return err
	}
	if len(w.faults) > 0 {
		return w.faults[0]
	}
	return nil
}

// Get gives the value of key, nil if there is none.
func (b *Bucket) Get(key []byte) (value []byte, err error) {
	err = b.Prefix(key, func(k, v []byte) error {
		if bytes.Equal(k, key) {
			value = v
		}
		return errStop // the key itself sorts before all that start with it
	})
	if errors.Is(err, errStop) {
		err = nil
	}
	return value, err
}

func (b *Bucket) walk(w *walk) error {
	if b.inline != nil {
		return w.visit(b.inline)
	}
	return w.tree(b.root, nil, nil, 0)
}

// A walk goes through one tree in the order of its keys.
type walk struct {
	file   *File
	seen   map[uint64]bool // pages met, so that no cycle holds it
	visit  func(leaf *node) error
	faults []*Fault
	// skip, where set, leaves out a page whose keys are at least lo and less than hi.
	skip func(lo, hi []byte) bool
}

func (w *walk) fault(x *Fault) { w.faults = append(w.faults, x) }

// tree walks the page id and all below it, whose first key must be lo and whose
// others must be less than hi; nil is open. bbolt takes it for granted that a
// branch has a child's first key, and would use a page twice if it were not so;
// in a file from which nothing is ever deleted, it is.
func (w *walk) tree(id uint64, lo, hi []byte, depth int) error {
	if w.seen[id] || depth > deepest {
		w.fault(fault(id, "it is used twice"))
		return nil
	}
	w.seen[id] = true
	n, err := w.file.node(id)
	var broken *Fault
	if errors.As(err, &broken) {
		w.fault(broken)
		return nil
	}
	if err != nil {
		return err
	}
	for i := uint64(1); i <= n.overflow; i++ {
		if w.seen[id+i] {
			w.fault(fault(id+i, "it is used twice"))
		}
		w.seen[id+i] = true
	}
	if len(n.keys) > 0 && (lo != nil && !bytes.Equal(n.keys[0], lo) || hi != nil && bytes.Compare(n.keys[len(n.keys)-1], hi) >= 0) {
		w.fault(fault(id, "its keys belong elsewhere"))
		return nil
	}
	if len(n.keys) == 0 && depth > 0 {
		w.fault(fault(id, "an empty leaf"))
	}
	if n.leaf {
		return w.visit(n)
	}
	for i, child := range n.children {
		end := hi
		if i+1 < len(n.keys) {
			end = n.keys[i+1]
		}
		if w.skip != nil && w.skip(n.keys[i], end) {
			continue
		}
		if err := w.tree(child, n.keys[i], end, depth+1); err != nil {
			return err
		}
	}
	return nil
}

// Check looks at every page in use: each belongs to exactly one tree or to the
// list of free pages, and every tree is in order. After it found nothing, bbolt
// can be trusted with the file.
func (f *File) Check() []*Fault {
	w := &walk{file: f, seen: map[uint64]bool{}}
	buckets := w.buckets()
	w.visit = func(n *node) error {
		if slices.Contains(n.buckets, true) {
			w.fault(fault(n.page, "a bucket where only values belong"))
		}
		return nil
	}
	for _, b := range buckets {
		_ = b.walk(w) // visit does not stop it
	}
	free, broken := f.free(w.seen)
	if broken != nil {
		return append(w.faults, broken)
	}
	if len(w.faults) > 0 {
		return w.faults // the pages below are not known, so neither is what is free
	}
	for id := uint64(2); id < f.High; id++ {
		switch {
		case free[id] && w.seen[id]:
			w.fault(fault(id, "it is in use, but listed as free"))
		case !free[id] && !w.seen[id]:
			w.fault(fault(id, "it is neither in use nor listed as free"))
		}
	}
	return w.faults
}

// free reads the list of free pages and marks its own pages as seen.
func (f *File) free(seen map[uint64]bool) (map[uint64]bool, *Fault) {
	if f.Freelist == noFreelist {
		return nil, fault(f.Page, "there is no list of free pages")
	}
	data, overflow, err := f.read(f.Freelist)
	if err != nil {
		var x *Fault
		if errors.As(err, &x) {
			return nil, x
		}
		return nil, fault(f.Freelist, "%v", err)
	}
	bad := func(format string, args ...any) (map[uint64]bool, *Fault) {
		return nil, fault(f.Freelist, "the list of free pages: %s", fmt.Sprintf(format, args...))
	}
	if order.Uint64(data) != f.Freelist || order.Uint16(data[8:]) != isFreelist {
		return bad("it is not there")
	}
	count, list := uint64(order.Uint16(data[10:])), data[headerSize:]
	if count == manyFreePages {
		count, list = order.Uint64(list), list[8:]
	}
	if count > uint64(len(list)/8) {
		return bad("its count is too large")
	}
	for i := range overflow + 1 {
		if seen[f.Freelist+i] {
			return bad("it is also in a tree")
		}
		seen[f.Freelist+i] = true
	}
	free := make(map[uint64]bool, count)
	for i := range count {
		id := order.Uint64(list[8*i:])
		if id < 2 || id >= f.High || free[id] {
			return bad("page %d cannot be in it", id)
		}
		free[id] = true
	}
	return free, nil
}
