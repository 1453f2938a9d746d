# fish completion of PROGRAM; put it to use with:  PROGRAM completion fish | source
function __PROGRAM_complete
    set -l before (commandline -opc)
    set -l typed (commandline -ct)
    set -l lines ($before[1] COMPLETE fish $before[2..-1] "$typed" 2>/dev/null)
    switch "$lines[1]"
        case files
            __fish_complete_path "$typed"
        case folders
            __fish_complete_directories "$typed"
        case words
            printf '%s\n' $lines[2..-1]
    end
end
complete -c PROGRAM -f -k -a '(__PROGRAM_complete)'
