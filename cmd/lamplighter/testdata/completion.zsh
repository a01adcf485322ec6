#compdef lamplighter
# Completion for lamplighter in zsh.
_lamplighter() {
  local before=("${(@)words[2,CURRENT-1]}")
  local -a choices
  local at="" word
  for word in "${before[@]}"; do
    case "$at $word" in
      " demo") at="demo" ;;
      " serve") at="serve" ;;
      " plan") at="plan" ;;
      " check") at="check" ;;
      " fairness") at="fairness" ;;
      " capacity") at="capacity" ;;
      " tones") at="tones" ;;
      " fleet") at="fleet" ;;
      "fleet apply") at="fleet apply" ;;
      "fleet diff") at="fleet diff" ;;
      "fleet show") at="fleet show" ;;
      " status") at="status" ;;
      " hush") at="hush" ;;
      " release") at="release" ;;
      " agent-config") at="agent-config" ;;
      " version") at="version" ;;
      " completion") at="completion" ;;
      *) ;;
    esac
  done
  case "$at" in
    "") choices=(demo serve plan check fairness capacity tones fleet status hush release agent-config version completion --help) ;;
    "demo") choices=(--help --dir --http --for --agents) ;;
    "serve") choices=(--help --dir --database --broker --grpc --http --mqtt --fleet --health-days --open-on-loopback --verbose) ;;
    "plan") choices=(--help --from --to --history --previous --taken --explain --out) ;;
    "check") choices=(--help --history --previous --taken --output --figures) ;;
    "fairness") choices=(--help --history --output) ;;
    "capacity") choices=(--help --from --to --output) ;;
    "tones") choices=(--help) ;;
    "fleet") choices=(apply diff show --help) ;;
    "fleet apply") choices=(--help --server --output --based-on) ;;
    "fleet diff") choices=(--help --server --output) ;;
    "fleet show") choices=(--help --server --out) ;;
    "status") choices=(--help --server --output) ;;
    "hush") choices=(--help --server --site --beacon --band --reason --output --until) ;;
    "release") choices=(--help --server --site --beacon --band --reason) ;;
    "agent-config") choices=(--help --server --out) ;;
    "version") choices=(--help --output) ;;
    "completion") choices=(--help) ;;
  esac
  compadd -a choices
  _files
}
if [[ "${funcstack[1]}" == _lamplighter ]]; then # loaded from fpath when first needed
  _lamplighter "$@"
else
  compdef _lamplighter lamplighter
fi
