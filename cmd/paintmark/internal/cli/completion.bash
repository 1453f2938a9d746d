# bash completion of PROGRAM; put it to use with:  source <(PROGRAM completion bash)
__PROGRAM_complete() {
    local program="${1/#\~\//$HOME/}" current="${COMP_WORDS[COMP_CWORD]}" kind="" word
    COMPREPLY=()
    while IFS= read -r word; do
        if [[ -z $kind ]]; then
            kind=$word
        else
            COMPREPLY+=("${word%%$'\t'*}")
        fi
    done < <("$program" COMPLETE bash "${COMP_LINE:0:COMP_POINT}" "$COMP_WORDBREAKS" 2>/dev/null)
    # Without compopt (bash 3), a path is completed in the plain way.
    [[ $current == [=:@] ]] && current=""
    case $kind in
    files) compopt -o default 2>/dev/null || while IFS= read -r word; do COMPREPLY+=("$word"); done < <(compgen -f -- "$current") ;;
    folders) compopt -o dirnames 2>/dev/null || while IFS= read -r word; do COMPREPLY+=("$word"); done < <(compgen -d -- "$current") ;;
    esac
}
complete -o nosort -F __PROGRAM_complete PROGRAM 2>/dev/null || complete -F __PROGRAM_complete PROGRAM
