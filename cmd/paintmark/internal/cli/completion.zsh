#compdef PROGRAM
# zsh completion of PROGRAM; put it to use with:  source <(PROGRAM completion zsh)
__PROGRAM_complete() {
    local -a lines values shown
    local line
    lines=("${(@f)$("${(Q)words[1]/#\~\//$HOME/}" COMPLETE zsh "${(@Q)words[2,CURRENT]}" 2>/dev/null)}")
    case ${lines[1]} in
    files)
        [[ $PREFIX == --*=* ]] && compset -P '*='
        _files
        ;;
    folders)
        [[ $PREFIX == --*=* ]] && compset -P '*='
        _files -/
        ;;
    words)
        for line in "${(@)lines[2,-1]}"; do
            values+=("${line%%$'\t'*}")
            if [[ -n ${line#*$'\t'} ]]; then
                shown+=("${line%%$'\t'*}  ${line#*$'\t'}")
            else
                shown+=("${line%%$'\t'*}")
            fi
        done
        compadd -V words -l -d shown -a values
        ;;
    esac
}
if [[ $funcstack[1] == _PROGRAM ]]; then
    __PROGRAM_complete "$@"
elif (( $+functions[compdef] )); then
    compdef __PROGRAM_complete PROGRAM
fi
