package record

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/binary"
	"encoding/hex"
	"encoding/json/jsontext"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"

	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"
)

// RFC 8785 appendix B: IEEE 754 bits and the JSON text.
var rfc8785Numbers = []struct {
	bits uint64
	want string
}{
	{0x0000000000000000, "0"},
	{0x8000000000000000, "0"},
	{0x0000000000000001, "5e-324"},
	{0x8000000000000001, "-5e-324"},
	{0x7fefffffffffffff, "1.7976931348623157e+308"},
	{0xffefffffffffffff, "-1.7976931348623157e+308"},
	{0x4340000000000000, "9007199254740992"},
	{0xc340000000000000, "-9007199254740992"},
	{0x4430000000000000, "295147905179352830000"},
	{0x44b52d02c7e14af5, "9.999999999999997e+22"},
	{0x44b52d02c7e14af6, "1e+23"},
	{0x44b52d02c7e14af7, "1.0000000000000001e+23"},
	{0x444b1ae4d6e2ef4e, "999999999999999700000"},
	{0x444b1ae4d6e2ef4f, "999999999999999900000"},
	{0x444b1ae4d6e2ef50, "1e+21"},
	{0x3eb0c6f7a0b5ed8c, "9.999999999999997e-7"},
	{0x3eb0c6f7a0b5ed8d, "0.000001"},
	{0x41b3de4355555553, "333333333.3333332"},
	{0x41b3de4355555554, "333333333.33333325"},
	{0x41b3de4355555555, "333333333.3333333"},
	{0x41b3de4355555556, "333333333.3333334"},
	{0x41b3de4355555557, "333333333.33333343"},
	{0xbecbf647612f3696, "-0.0000033333333333333333"},
	{0x43143ff3c1cb0959, "1424953923781206.2"},
}

func TestRFC8785Numbers(t *testing.T) {
	for _, c := range rfc8785Numbers {
		f := math.Float64frombits(c.bits)
		got, err := canonical([]byte(strconv.FormatFloat(f, 'e', 25, 64)))
		if err != nil || string(got) != c.want {
			t.Errorf("%016x: got %s, %v, want %s", c.bits, got, err, c.want)
		}
		// Of these only 0 is a number that a record may hold.
		if err := checkNumber(c.want); (err == nil) != (c.want == "0") {
			t.Errorf("checkNumber(%s): %v", c.want, err)
		}
	}
}

// RFC 8785 section 3.2.3: members in order of their UTF-16 code units.
func TestRFC8785Sorting(t *testing.T) {
	in := `{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One","\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}`
	order := []string{"Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign", "Emoji: Grinning Face", "Hebrew Letter Dalet With Dagesh"}
	got, err := canonical([]byte(in))
	if err != nil {
		t.Fatal(err)
	}
	at := -1
	for _, value := range order {
		i := strings.Index(string(got), strconv.Quote(value))
		if i <= at {
			t.Errorf("%q is out of order in %s", value, got)
		}
		at = i
	}
}

// RFC 8785 section 3.2.2: the sample object and its canonical form.
func TestRFC8785Sample(t *testing.T) {
	in := `{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}`
	want := `{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`
	if got, err := canonical([]byte(in)); err != nil || string(got) != want {
		t.Errorf("got %s, %v\nwant %s", got, err, want)
	}
}

// Our canonical form is that of github.com/gowebpki/jcs on everything a body may hold.
func TestCanonicalAgainstJCS(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := drawObject(t, 3)
		ours, err := canonical(body)
		if err != nil {
			t.Fatal(err)
		}
		theirs, err := jcs.Transform(body)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(ours, theirs) {
			t.Fatalf("%s\nours   %s\ntheirs %s", body, ours, theirs)
		}
	})
}

// drawObject draws the text of a JSON object with integers, odd strings and odd names.
func drawObject(t *rapid.T, depth int) jsontext.Value {
	var b bytes.Buffer
	b.WriteByte('{')
	names := rapid.SliceOfNDistinct(rapid.String(), 0, 4, rapid.ID).Draw(t, "names")
	for i, name := range names {
		if i > 0 {
			b.WriteString(" , ")
		}
		q, err := jsontext.AppendQuote(nil, name)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(q)
		b.WriteByte(':')
		b.Write(drawValue(t, depth))
	}
	b.WriteByte('}')
	return b.Bytes()
}

func drawValue(t *rapid.T, depth int) []byte {
	switch rapid.IntRange(0, 5).Draw(t, "sort") {
	case 0:
		return []byte(rapid.SampledFrom([]string{"null", "true", "false"}).Draw(t, "literal"))
	case 1:
		return strconv.AppendInt(nil, rapid.Int64Range(-maxInteger, maxInteger).Draw(t, "integer"), 10)
	case 2:
		if depth > 0 {
			return drawObject(t, depth-1)
		}
	case 3:
		if depth > 0 {
			out := append([]byte("[ "), drawValue(t, depth-1)...)
			out = append(out, ',')
			return append(append(out, drawValue(t, depth-1)...), ']')
		}
	}
	q, err := jsontext.AppendQuote(nil, rapid.String().Draw(t, "string"))
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// RFC 8032 section 7.1, tests 1, 2, 3 and SHA(abc).
var rfc8032 = []struct{ seed, public, message, signature string }{
	{
		"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
		"d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
		"",
		"e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
	},
	{
		"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
		"3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
		"72",
		"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
	},
	{
		"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
		"fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
		"af82",
		"6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
	},
	{
		"833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
		"ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
		"ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
		"dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
	},
}

func TestRFC8032(t *testing.T) {
	for i, v := range rfc8032 {
		p := PrivateKey(ed25519.NewKeyFromSeed(unhex(t, v.seed)))
		if got := keyOf(t, p).String(); got != v.public {
			t.Errorf("vector %d: public key %s, want %s", i, got, v.public)
		}
		sig, err := p.Sign(context.Background(), unhex(t, v.message))
		if err != nil || hex.EncodeToString(sig) != v.signature {
			t.Errorf("vector %d: signature %x, %v, want %s", i, sig, err, v.signature)
		}
	}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestSmallOrder derives the points whose order divides 8 from the curve equation and the
// addition law of RFC 8032 section 5.1, and finds exactly those that Key.Check refuses.
func TestSmallOrder(t *testing.T) {
	p := new(big.Int).Sub(new(big.Int).Lsh(big.NewInt(1), 255), big.NewInt(19))
	mod := func(x *big.Int) *big.Int { return x.Mod(x, p) }
	mul := func(a, b *big.Int) *big.Int { return mod(new(big.Int).Mul(a, b)) }
	inv := func(a *big.Int) *big.Int { return new(big.Int).ModInverse(a, p) }
	one := big.NewInt(1)
	d := mul(big.NewInt(-121665), inv(big.NewInt(121666)))
	type point struct{ x, y *big.Int }
	add := func(a, b point) point {
		k := mul(d, mul(mul(a.x, b.x), mul(a.y, b.y)))
		x := mul(mod(new(big.Int).Add(mul(a.x, b.y), mul(a.y, b.x))), inv(mod(new(big.Int).Add(one, k))))
		y := mul(mod(new(big.Int).Add(mul(a.y, b.y), mul(a.x, b.x))), inv(mod(new(big.Int).Sub(one, k))))
		return point{x, y}
	}
	recover := func(y *big.Int) *big.Int { // x² = (y²-1)/(dy²+1)
		y2 := mul(y, y)
		return new(big.Int).ModSqrt(mul(mod(new(big.Int).Sub(y2, one)), inv(mod(new(big.Int).Add(mul(d, y2), one)))), p)
	}
	encode := func(q point) string {
		var k Key
		q.y.FillBytes(k[:])
		for i, j := 0, 31; i < j; i, j = i+1, j-1 {
			k[i], k[j] = k[j], k[i]
		}
		return k.String()
	}
	// Multiply points of the curve by the order of the large subgroup until the result has
	// order 8; its multiples are all the points sought.
	order, _ := new(big.Int).SetString("27742317777372353535851937790883648493", 10)
	order.Add(order, new(big.Int).Lsh(one, 252))
	identity := point{big.NewInt(0), big.NewInt(1)}
	got := map[string]bool{}
	for y := int64(2); len(got) < len(smallOrder) && y < 200; y++ {
		q := point{recover(big.NewInt(y)), big.NewInt(y)}
		if q.x == nil {
			continue
		}
		s := identity
		for i := order.BitLen() - 1; i >= 0; i-- {
			s = add(s, s)
			if order.Bit(i) == 1 {
				s = add(s, q)
			}
		}
		for m, i := s, 0; i < 8; i++ {
			got[encode(m)] = true
			m = add(m, s)
		}
	}
	if len(got) != len(smallOrder) {
		t.Errorf("found %d y coordinates, want %d", len(got), len(smallOrder))
	}
	for _, s := range smallOrder {
		if !got[s] {
			t.Errorf("%s is listed but not of small order", s)
		}
		for _, sign := range []byte{0, 0x80} {
			k := unhex(t, s)
			k[31] |= sign
			refusesKey(t, Key(k))
		}
	}
}

// TestLongEncodings refuses every y from 2^255-19 on, with either sign, and nothing below
// for this reason.
func TestLongEncodings(t *testing.T) {
	for low := 0; low < 256; low++ {
		for _, high := range []byte{0x7f, 0xff} {
			k := Key(bytes.Repeat([]byte{0xff}, 32))
			k[0], k[31] = byte(low), high
			long := low >= 0xed
			if err := k.Check(); (err != nil) != (long || low == 0xec) {
				t.Errorf("low byte %#x: %v", low, err)
			}
			if long {
				refusesKey(t, k)
			}
			// One bit less, in any byte between, makes it a number below 2^255-19.
			for i := 1; i < 31; i++ {
				k[i] = 0xfe
				if err := k.Check(); err != nil {
					t.Errorf("low byte %#x, byte %d: %v", low, i, err)
				}
				k[i] = 0xff
			}
		}
	}
	// One key under which crypto/ed25519 accepts a signature that fits every message: the
	// identity, with R the identity and S zero. This is why it is refused here.
	var identity Key
	binary.LittleEndian.PutUint64(identity[:], 1)
	sig := make([]byte, 64)
	sig[0] = 1
	if !ed25519.Verify(identity[:], []byte("any"), sig) || !ed25519.Verify(identity[:], []byte("other"), sig) {
		t.Error("the reason for refusing small orders no longer holds")
	}
	if identity.Check() == nil {
		t.Error("the identity is accepted as a key")
	}
	// The same key written with y = 1 + 2^255-19, which crypto/ed25519 takes too.
	identity = Key(bytes.Repeat([]byte{0xff}, 32))
	identity[0], identity[31] = 0xee, 0x7f
	if !ed25519.Verify(identity[:], []byte("any"), sig) {
		t.Error("the reason for refusing long encodings no longer holds")
	}
}

// refusesKey checks every door through which a key comes in.
func refusesKey(t *testing.T, k Key) {
	t.Helper()
	_, parsed := ParseKey(k.String())
	_, held := KeyOf(k[:])
	_, begun := NewChain(testVisit, Real, k)
	d := newDevice(t, testVisit, "one").add(KindOpened, "")
	_, decoded := Decode(reseal(t, testKey("one"), d.lines[0], d.chain.Key.String(), k.String()))
	_, _, _, named := d.chain.Append(t.Context(), d.signs, d.draft(KindTakenOver, handOverBody(k, Hash{1})))
	for door, err := range map[string]error{"ParseKey": parsed, "KeyOf": held, "NewChain": begun, "Decode": decoded, "a hand-over": named} {
		if err == nil {
			t.Errorf("%s accepts the key %s", door, k)
		}
	}
}
