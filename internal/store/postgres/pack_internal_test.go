package postgres

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/outcome"
)

// What is stored can be read for ever only against the dictionary that it was written with.
func TestDictionaryNeverChanges(t *testing.T) {
	sum := sha256.Sum256(dictionary)
	require.Equal(t, "ee915e9021c02234ecfdfa14e2377a66aebbe43aa72df4d9075876527f28f04c", hex.EncodeToString(sum[:]),
		"add another dictionary with another number; never change this one")
}

// A frame that this release's first build wrote: RFC 8878 with the dictionary by its number.
func TestPackedBytesAreZstd(t *testing.T) {
	body := []byte(strings.Repeat(`{"resourceType":"Task","status":"ready"}`, 10))
	var h zstd.Header
	require.NoError(t, h.Decode(pack(body)))
	require.EqualValues(t, dictionaryNumber, h.DictionaryID)
	d, err := zstd.NewReader(nil, zstd.WithDecoderDictRaw(dictionaryNumber, dictionary))
	require.NoError(t, err)
	defer d.Close()
	got, err := d.DecodeAll(pack(body), nil)
	require.NoError(t, err)
	require.Equal(t, body, got)
}

func TestPack(t *testing.T) {
	require.Nil(t, pack(nil))
	require.Equal(t, []byte{}, pack([]byte{}))
	require.Equal(t, []byte("short"), pack([]byte("short")), "not worth it")
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.SliceOfN(rapid.Byte(), 0, 2000).Draw(t, "body")
		if rapid.Bool().Draw(t, "looks packed") {
			body = append([]byte(frame), body...)
		}
		body = bytes.Repeat(body, rapid.IntRange(1, 3).Draw(t, "times"))
		got, err := unpack(pack(body))
		if err != nil || !bytes.Equal(got, body) {
			t.Fatalf("%v: %q became %q", err, body, got)
		}
	})
}

// Bytes that pack did not write are a fault of ours, never an empty resource.
func TestUnpackRefuses(t *testing.T) {
	whole := pack([]byte(strings.Repeat(`{"resourceType":"Task"}`, 50)))
	for name, stored := range map[string][]byte{
		"cut":                whole[:len(whole)-3],
		"frame alone":        []byte(frame),
		"another dictionary": append([]byte(frame), 0x21, 99, 5, 1, 0, 0),
	} {
		_, err := unpack(stored)
		require.Equal(t, outcome.CodeException, outcome.KindOf(err), name)
	}
}
