package house

// module is the path that all our imports begin with.
const module = "lamplighter"

// topLevel lists what may stand beside dotfiles at the top of the repository.
var topLevel = []string{
	"agent", "cmd", "coordinator", "deploy", "migrations", "proto",
	"DEVELOPERS.md", "LICENSE", "README.md", "go.mod", "go.sum",
}

// mayImport says, folder by folder, which other folders of ours a package
// may import. Longer paths go before shorter ones.
var mayImport = []struct {
	folder string
	from   []string
}{
	{"proto", []string{"proto"}},
	{"migrations", nil},
	{"coordinator", []string{"coordinator", "proto", "migrations"}},
	{"agent", []string{"agent", "proto"}},
	{"cmd/lamplighter-agent", []string{"cmd/lamplighter-agent", "cmd/internal", "agent", "proto"}},
	{"cmd", []string{"cmd", "coordinator", "agent", "proto", "migrations"}},
}

// pure lists the packages that decide. They are functions of their inputs and
// a given time.
var pure = []string{
	"agent/clock/holdover",
	"agent/clock/judge",
	"agent/clock/stability",
	"agent/core",
	"agent/keyer",
	"agent/transmitter/clockgen/synth",
	"agent/transmitter/switching/sequence",
	"coordinator/alert",
	"coordinator/devices",
	"coordinator/fault",
	"coordinator/fleet",
	"coordinator/fleet/form",
	"coordinator/fleet/rewrite",
	"coordinator/heard",
	"coordinator/lease",
	"coordinator/orders",
	"coordinator/people",
	"coordinator/people/duty",
	"coordinator/people/guess",
	"coordinator/people/trail",
	"coordinator/plan",
	"coordinator/planner",
	"coordinator/report",
	"coordinator/rollup",
	"coordinator/stationlog",
	"coordinator/status",
	"coordinator/zone",
	"proto/enrolment",
	"proto/lamplighter/keyer/v1",
	"proto/lamplighter/wire/v1",
	"proto/onair/band",
	"proto/onair/exposure",
	"proto/onair/locator",
	"proto/onair/slot",
	"proto/onair/wspr",
	"proto/planted",
	"proto/seal",
	"proto/setup",
	"proto/spelling",
	"proto/topic",
}

// impure lists the packages of the standard library that a pure one must not
// import directly, with all that lies below them.
var impure = []string{"context", "net", "os", "log", "math/rand", "syscall", "plugin", "runtime/debug"}

// harmless lists what lies below an impure path and does no input or output.
var harmless = map[string]string{
	"net/url":      "takes addresses apart",
	"net/mail":     "takes addresses apart",
	"math/rand/v2": "with a source that is given a seed; the global functions are forbidden below",
}

// libraries lists what a pure package may import from outside, with the
// reason. A path stands for itself and all below it.
var libraries = map[string]string{
	"google.golang.org/protobuf":     "reads and writes messages in memory",
	"github.com/goccy/go-yaml":       "reads and writes YAML in memory",
	"go.yaml.in/yaml/v3":             "reads YAML in memory, large files quickly",
	"github.com/teambition/rrule-go": "expands recurrence rules by calculation",
	"google.golang.org/grpc/codes":   "a list of constants",
	"gonum.org/v1/gonum/stat":        "calculates",
	"github.com/arran4/golang-ical":  "writes calendars in memory",
}

// generatedServices may import gRPC, and pure packages may still use their
// messages: coordinator/status fills them in.
const generatedServices = "proto/lamplighter/api/v1"

// forbiddenCalls lists functions that read a clock, wait, or read the host's
// files, which no pure package may call.
var forbiddenCalls = map[string][]string{
	"time":         {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick", "LoadLocation"},
	"math/rand/v2": {"Int", "IntN", "Int64", "Int64N", "Uint32", "Uint64", "Float64", "Perm", "Shuffle", "N"},
	"crypto/rand":  {"Read", "Int", "Text", "Prime"},
}

// onlyHere lists methods that stand in product code for the sake of one package,
// with the folder outside whose files none may be used, tests excepted.
var onlyHere = map[string]string{
	"Remembering": "cmd/internal/sim", // a keyring that spares the arithmetic of signatures
}
