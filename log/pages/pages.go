// Package pages reads the pages of a bbolt file within their bounds.
//
// bbolt itself maps the file and trusts what stands in it: an offset that points
// out of a page, a branch that leads back to itself or a file that ends early
// can end the process, partly in goroutines that nobody can guard. So whatever
// is read of a book is read here, with every offset checked, from a file that is
// only read and never mapped, and bbolt gets a book for writing only after
// [File.Check] found its pages sound.
//
// The layout is bbolt's own, version 2, of a machine that stores the low byte
// first; log/FORMAT.md shows it. A page that breaks any of its rules is given up
// as a whole: it is a [Fault], and the pages beside it are read on.
package pages

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
)

var (
	// ErrForeign means that a file does not begin as bbolt files do.
	ErrForeign = errors.New("no bbolt file")
	// ErrShort means that a file ends before its last page.
	ErrShort = errors.New("the file ends too early")
	// ErrHeaders means that neither of the two header pages can be used.
	ErrHeaders = errors.New("both header pages are damaged")
)

// A Fault is one thing wrong with a page.
type Fault struct {
	Page    uint64
	Problem string
}

func (f *Fault) Error() string { return fmt.Sprintf("page %d: %s", f.Page, f.Problem) }

func fault(page uint64, format string, args ...any) *Fault {
	return &Fault{page, fmt.Sprintf(format, args...)}
}

const (
	magic         = 0xED0CDAED
	version       = 2
	headerSize    = 16 // of a page
	elementSize   = 16 // of a page's table
	bucketSize    = 16 // of a bucket's value, before a page that is kept inside it
	metaSize      = 64 // with its checksum
	smallestPage  = 1 << 10
	largestPage   = 1 << 16
	deepest       = 24       // levels of a tree; a book of 4 GB has 5
	largestRun    = 64 << 20 // bytes of a page with those it overflows into
	noFreelist    = ^uint64(0)
	manyFreePages = 0xFFFF // the count stands in the first element
)

// What a page is, by its flags.
const (
	isBranch   = 0x01
	isLeaf     = 0x02
	isMeta     = 0x04
	isFreelist = 0x10
)

var order = binary.LittleEndian

// A Meta is a header page: where the trees begin, as of one transaction.
type Meta struct {
	Page        uint64 // 0 or 1
	PageSize    int64
	Root        uint64
	Freelist    uint64
	High        uint64 // one past the last page in use
	Transaction uint64
}

// A File is a bbolt file as of its last transaction.
type File struct {
	Meta
	r io.ReaderAt
	// Faults is what is wrong with the header pages.
	Faults []*Fault
}

// Open reads the header pages as Headers does, and fails with ErrShort as well
// where the size of the file is less than what they say.
func Open(r io.ReaderAt, size int64) (*File, error) {
	f, err := Headers(r)
	if err != nil {
		return nil, err
	}
	return f, f.CheckSize(size)
}

// CheckSize fails with ErrShort where the header page says more than size bytes
// can hold.
func (f *File) CheckSize(size int64) error {
	if size/f.PageSize < int64(f.High) {
		return ErrShort
	}
	return nil
}

// Headers reads the two header pages and takes the newer of those that are
// sound. The error is ErrForeign, ErrShort, ErrHeaders, or one of reading. Pages
// that the file is too short for are faults when they are read.
func Headers(r io.ReaderAt) (*File, error) {
	first := make([]byte, headerSize+metaSize)
	n, err := r.ReadAt(first, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if n < len(first) {
		if looksLikeStart(first[:n]) {
			return nil, ErrShort
		}
		return nil, ErrForeign
	}
	f := &File{r: r}
	meta0, usable0, problem0 := parseMeta(first, 0)
	signed := order.Uint32(first[headerSize:]) == magic
	// Where the second begins is known from the first, or found by trying.
	starts := []int64{meta0.PageSize}
	if !usable0 || meta0.impossible() {
		starts = nil
		for s := int64(smallestPage); s <= largestPage; s *= 2 {
			starts = append(starts, s)
		}
	}
	var meta1 Meta
	usable1, problem1 := false, "the file ends before it"
	second := make([]byte, headerSize+metaSize)
	for _, start := range starts {
		if _, err := r.ReadAt(second, start); errors.Is(err, io.EOF) {
			continue
		} else if err != nil {
			return nil, err
		}
		signed = signed || order.Uint32(second[headerSize:]) == magic
		if meta1, usable1, problem1 = parseMeta(second, 1); usable1 {
			break
		}
	}
	// The choice is bbolt's own, or the two of us would see different files.
	switch f.Meta = meta0; {
	case !usable0 && !usable1 && !signed:
		return nil, ErrForeign
	case !usable0 && !usable1:
		return nil, ErrHeaders
	case !usable0 || usable1 && meta1.Transaction > meta0.Transaction:
		f.Meta = meta1
	}
	if f.impossible() {
		return nil, ErrHeaders
	}
	if problem0 != "" {
		f.Faults = append(f.Faults, fault(0, "%s", problem0))
	}
	if problem1 != "" {
		f.Faults = append(f.Faults, fault(1, "%s", problem1))
	}
	return f, nil
}

// looksLikeStart tells whether a file that is shorter than a header page began as one.
func looksLikeStart(data []byte) bool {
	start := make([]byte, headerSize, headerSize+8)
	order.PutUint16(start[8:], isMeta)
	start = order.AppendUint32(start, magic)
	start = order.AppendUint32(start, version)
	n := min(len(data), len(start))
	return n > 8 && bytes.Equal(data[:n], start[:n])
}

// parseMeta reads a header page. It tells whether bbolt would use it, and what is
// wrong with it all the same.
func parseMeta(page []byte, id uint64) (m Meta, usable bool, problem string) {
	data := page[headerSize:]
	h := fnv.New64a()
	_, _ = h.Write(data[:metaSize-8]) // never fails
	m = Meta{
		Page:        id,
		PageSize:    int64(order.Uint32(data[8:])),
		Root:        order.Uint64(data[16:]),
		Freelist:    order.Uint64(data[32:]),
		High:        order.Uint64(data[40:]),
		Transaction: order.Uint64(data[48:]),
	}
	switch {
	case order.Uint32(data) != magic || order.Uint32(data[4:]) != version:
		return m, false, "it is no header page of bbolt, version 2"
	case order.Uint64(data[metaSize-8:]) != h.Sum64():
		return m, false, "its checksum does not agree with it"
	case order.Uint64(page) != id || order.Uint16(page[8:]) != isMeta || order.Uint16(page[10:]) != 0 || order.Uint32(page[12:]) != 0:
		return m, true, "its head is not that of a header page"
	case m.Transaction%2 != id:
		return m, true, "it stands in the other header's place"
	case m.impossible():
		return m, true, "it tells what cannot be"
	}
	return m, true, ""
}

// impossible tells that a header page, whole as it is, was not written by bbolt.
func (m Meta) impossible() bool {
	return m.PageSize < smallestPage || m.PageSize > largestPage || m.PageSize&(m.PageSize-1) != 0 ||
		m.Root < 2 || m.Root >= m.High || m.High > 1<<40
}

// A node is a leaf or a branch of a tree.
type node struct {
	page     uint64
	overflow uint64 // further pages it covers
	leaf     bool
	end      int // where its data ends
	keys     [][]byte
	values   [][]byte // of a leaf
	buckets  []bool   // of a leaf: which values are buckets
	children []uint64 // of a branch
}

// node reads the page with number id.
func (f *File) node(id uint64) (*node, error) {
	data, overflow, err := f.read(id)
	if err != nil {
		return nil, err
	}
	n, err := parseNode(data, id)
	if err != nil {
		return nil, err
	}
	n.overflow = overflow
	return n, nil
}

// read gives a page with those it overflows into.
func (f *File) read(id uint64) (data []byte, overflow uint64, err error) {
	if id < 2 || id >= f.High {
		return nil, 0, fault(id, "it is outside the file")
	}
	data = make([]byte, f.PageSize)
	if err := f.readAt(data, id); err != nil {
		return nil, 0, err
	}
	overflow = uint64(order.Uint32(data[12:]))
	if overflow >= f.High-id || int64(overflow) > largestRun/f.PageSize {
		return nil, 0, fault(id, "it reaches beyond the file")
	}
	if overflow > 0 {
		data = append(data, make([]byte, int64(overflow)*f.PageSize)...)
		if err := f.readAt(data[f.PageSize:], id+1); err != nil {
			return nil, 0, err
		}
	}
	return data, overflow, nil
}

func (f *File) readAt(data []byte, id uint64) error {
	if _, err := f.r.ReadAt(data, int64(id)*f.PageSize); errors.Is(err, io.EOF) {
		return fault(id, "the file ends before it")
	} else if err != nil {
		return fault(id, "%v", err)
	}
	return nil
}

// parseNode reads a page out of its bytes. It holds for pages inside a bucket's
// value too, whose number is 0.
func parseNode(data []byte, id uint64) (*node, error) {
	if len(data) < headerSize {
		return nil, fault(id, "it is cut off")
	}
	flags, count := order.Uint16(data[8:]), int(order.Uint16(data[10:]))
	n := &node{page: id, leaf: flags == isLeaf}
	switch {
	case order.Uint64(data) != id:
		return nil, fault(id, "it says it is page %d", order.Uint64(data))
	case flags != isLeaf && flags != isBranch:
		return nil, fault(id, "it is neither leaf nor branch (%#x)", flags)
	case headerSize+count*elementSize > len(data):
		return nil, fault(id, "its table of %d is longer than the page", count)
	case count == 0 && !n.leaf:
		return nil, fault(id, "a branch without children")
	}
	n.keys = make([][]byte, count)
	n.end = headerSize + count*elementSize // the data stands after the table, without a gap
	for i := range count {
		at := headerSize + i*elementSize
		element := data[at : at+elementSize]
		var pos, keySize, valueSize uint64
		if n.leaf {
			pos, keySize, valueSize = uint64(order.Uint32(element[4:])), uint64(order.Uint32(element[8:])), uint64(order.Uint32(element[12:]))
		} else {
			pos, keySize = uint64(order.Uint32(element)), uint64(order.Uint32(element[4:]))
		}
		if uint64(at)+pos != uint64(n.end) || keySize+valueSize > uint64(len(data)-n.end) {
			return nil, fault(id, "element %d is not where it belongs", i)
		}
		key, value := data[n.end:][:keySize], data[uint64(n.end)+keySize:][:valueSize]
		n.end += int(keySize + valueSize)
		if keySize == 0 || i > 0 && bytes.Compare(n.keys[i-1], key) >= 0 {
			return nil, fault(id, "element %d is out of order", i)
		}
		n.keys[i] = key
		if !n.leaf {
			n.children = append(n.children, order.Uint64(element[8:]))
			continue
		}
		kind := order.Uint32(element)
		if kind > 1 {
			return nil, fault(id, "element %d is of an unknown kind", i)
		}
		n.values = append(n.values, value)
		n.buckets = append(n.buckets, kind == 1)
	}
	return n, nil
}
